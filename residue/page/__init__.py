"""The page for a phone, and figures for monitoring: a process of its own, with a pipe to the house."""
