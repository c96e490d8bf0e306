"""Backups while the service runs, and their checked return: all or nothing."""
