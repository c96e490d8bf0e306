"""What the service refuses, each with a reason and what to do instead.

Nothing here knows about HTTP machinery: `status` is only the number that an HTTP answer would carry,
`pointer` an RFC 6901 path to the part of the request that is at fault.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, ClassVar


class DomainError(Exception):
    """Base of every refusal; ``str(error)`` is fit to show a person."""

    title: ClassVar[str] = "Request refused"
    status: ClassVar[int] = 400

    def __init__(self, detail: str, *, pointer: str | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.pointer = pointer

    def places(self) -> list[dict[str, str]]:
        """Where the request is at fault: pointers with what is wrong there."""
        return [{"pointer": self.pointer, "detail": self.detail}] if self.pointer else []

    def extensions(self) -> dict[str, Any]:
        """Further members for a problem document; all of them JSON-able."""
        return {}


class NotFound(DomainError):
    """There is no such thing, or not for this shop."""

    title = "Not found"
    status = 404


class Conflict(DomainError):
    """The request contradicts what is recorded."""

    title = "Contradicts what is recorded"
    status = 409


class InvalidInput(DomainError):
    """A value cannot be used; `pointer` says which."""

    title = "Input not usable"
    status = 422


class PlacesRefused(InvalidInput):
    """Several values cannot be used; each place says which and why."""

    def __init__(self, detail: str, places: list[dict[str, str]]) -> None:
        super().__init__(detail)
        self._places = places

    def places(self) -> list[dict[str, str]]:
        return self._places


class TooManyWaiting(DomainError):
    """There is more to do than may wait; `retry_after` says in how many seconds to ask again."""

    title = "Too much is waiting"
    status = 429

    def __init__(self, detail: str, *, retry_after: int) -> None:
        super().__init__(detail)
        self.retry_after = retry_after


class NotAvailable(DomainError):
    """Something this installation leaves out; the text says how to add it."""

    title = "Not available here"
    status = 501


class NotNow(DomainError):
    """Something that others provide does not answer; the text says what to do meanwhile."""

    title = "Not available just now"
    status = 503


class FileRefused(InvalidInput):
    """A file cannot be read as job lines at all; `problems` holds the places that say why."""

    title = "File not usable"

    def __init__(self, detail: str, *, problems: tuple[Any, ...] = (), pointer: str | None = "/file") -> None:
        super().__init__(detail, pointer=pointer)
        self.problems = problems

    def extensions(self) -> dict[str, Any]:
        return {"problems": [problem.to_dict() for problem in self.problems]}


class FileTooLarge(FileRefused):
    """A file is, or would become when unpacked, more than is taken in at once."""

    title = "File too large"
    status = 413


class ColumnsUnclear(FileRefused):
    """Columns of a file go by names of the shop's own; `columns` holds what each was taken for, to be confirmed."""

    title = "Columns not confirmed"

    def __init__(self, detail: str, *, problems: tuple[Any, ...], columns: tuple[Any, ...]) -> None:
        super().__init__(detail, problems=problems)
        self.columns = columns

    def extensions(self) -> dict[str, Any]:
        return {**super().extensions(), "columns": [asdict(use) for use in self.columns]}


class RowsRefused(InvalidInput):
    """Rows of a file cannot be used, so none was taken in; `report` lists them."""

    title = "Rows not usable"

    def __init__(self, report: Any, *, pointer: str | None = "/file") -> None:
        count = report.problem_count
        rows = f"{count:,} problem" if count == 1 else f"{count:,} problems"
        super().__init__(f"{rows} in the rows of the file; nothing was taken in", pointer=pointer)
        self.report = report

    def extensions(self) -> dict[str, Any]:
        return {"report": self.report.to_dict()}
