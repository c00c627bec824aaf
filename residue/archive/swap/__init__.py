"""Replaces one performance by another."""
