"""Health checks, notification and recovery."""
