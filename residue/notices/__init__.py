"""Notices to people who are not there: of faults, of recoveries, and a line a day."""
