"""Secrets that are handed out once and kept as digests only: tokens, sessions, links."""

from __future__ import annotations

import hashlib
import secrets


def new_key(prefix: str = "") -> str:
    """256 random bits as text."""
    return prefix + secrets.token_urlsafe(32)


def digest_of(key: str) -> bytes:
    """SHA-256 of a secret; it is random and long, so that a plain digest cannot be guessed back."""
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).digest()
