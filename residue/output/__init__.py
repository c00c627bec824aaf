"""Sinks: sound device, file, silent."""
