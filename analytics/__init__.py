"""Reliability analytics: pure functions over arrays. No web, no database, no clock."""
