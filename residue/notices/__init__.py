"""Notices to people who are absent: of faults, of recoveries, and one line a day."""
