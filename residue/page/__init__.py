"""The page for a phone, and figures for monitoring: a process of its own, which asks the house through a pipe."""
