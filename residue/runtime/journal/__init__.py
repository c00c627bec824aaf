"""The level log: its tables, its writer, and the rows made of what the cap stage sent."""
