"""What a role lets somebody do, and what a token's scope lets it do."""

from __future__ import annotations

from collections.abc import Iterable

GRANTS: dict[str, frozenset[str]] = {
    "reader": frozenset({"read"}),
    "technician": frozenset({"read", "write"}),
    "owner": frozenset({"read", "write", "admin"}),
    "pool_steward": frozenset({"pool"}),
}
SCOPE_GRANTS: dict[str, frozenset[str]] = {
    "read": frozenset({"read"}),
    "write": frozenset({"read", "write"}),
    "admin": frozenset({"read", "write", "admin"}),
    "pool": frozenset({"pool"}),
}


def grants_of(roles: Iterable[str]) -> frozenset[str]:
    """Everything that somebody with these roles may do."""
    return frozenset().union(*(GRANTS[role] for role in roles))


def role_suffices(roles: Iterable[str], wanted: str) -> bool:
    """Whether these roles together let somebody do all that `wanted` lets one do."""
    return GRANTS[wanted] <= grants_of(roles)


def scopes_for(roles: Iterable[str]) -> list[str]:
    """Scopes that somebody with these roles may give a token: never more than they may do themselves."""
    granted = grants_of(roles)
    return [scope for scope, grants in SCOPE_GRANTS.items() if grants <= granted]
