"""The daemon's loop, its watchdog, its status and its nightly reading of the archive."""
