"""A survey of many archived performances under one piece: a row for each, a table, and a page with pictures."""
