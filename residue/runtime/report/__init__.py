"""The report for whoever answers for safety: what the level log proves of some days."""
