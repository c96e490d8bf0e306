"""Shapes of requests and replies: types and ranges only; rules about history live in `records`."""
