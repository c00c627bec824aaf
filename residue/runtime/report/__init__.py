"""The report for the person who answers for safety: what the level log proves of some days."""
