"""The level log: its tables, its writer, and the rows made from the levels of the cap stage."""
