"""The file a backup is: a tar archive with a manifest that names every file and table with its hash."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tarfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from service.backups.rows import Layout, Tally
from service.errors import InvalidInput

FORMAT = "weakspot-backup-1"
MANIFEST = "manifest.json"
DATABASE = "database.sqlite"
ROWS, PHOTOS = "rows", "photos"
CHUNK = 1 << 20


@dataclass
class Manifest:
    """What is in a backup."""

    software: str
    engine: str
    revision: str
    made_at: str
    format: str = FORMAT
    tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    files: dict[str, dict[str, Any]] = field(default_factory=dict)
    missing_photos: list[str] = field(default_factory=list)

    def add_table(self, layout: Layout, found: Tally) -> None:
        self.tables[layout.name] = {"columns": dict(layout.columns), "key": list(layout.key), **asdict(found)}

    def layouts(self) -> list[Layout]:
        return [Layout(name, dict(t["columns"]), tuple(t["key"])) for name, t in self.tables.items()]

    def tally_of(self, name: str) -> Tally:
        return Tally(self.tables[name]["rows"], self.tables[name]["sha256"])

    @property
    def rows(self) -> int:
        return sum(table["rows"] for table in self.tables.values())


def sha256_of(path: Path) -> str:
    """A file's hash, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def pack(folder: Path, manifest: Manifest, target: Path) -> None:
    """Write the archive: under another name first, so that it is there whole or not at all."""
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = path.relative_to(folder).as_posix()
        manifest.files[name] = {"bytes": path.stat().st_size, "sha256": sha256_of(path)}
    (folder / MANIFEST).write_text(json.dumps(asdict(manifest), indent=1, ensure_ascii=False), encoding="utf-8")
    part = target.with_name(target.name + ".part")
    try:
        with part.open("wb") as file:
            with tarfile.open(fileobj=file, mode="w:gz" if target.suffix in (".gz", ".tgz") else "w") as archive:
                archive.add(folder / MANIFEST, MANIFEST)
                for name in manifest.files:
                    archive.add(folder / name, name)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def _extract(archive: tarfile.TarFile, folder: Path) -> None:
    """Write plain files below the folder, and refuse anything else; `extractall` filters only from Python 3.11.4 on."""
    inside = folder.resolve()
    for member in archive:
        if member.isdir():
            continue
        target = (inside / member.name).resolve()
        data = archive.extractfile(member) if member.isreg() else None
        if data is None or not target.is_relative_to(inside):
            raise ValueError(f"{member.name!r} in it is no plain file of a backup")
        target.parent.mkdir(parents=True, exist_ok=True)
        with data, target.open("wb") as file:
            shutil.copyfileobj(data, file)
        target.chmod(0o600 | member.mode & 0o644)


def unpack(source: Path, folder: Path) -> Manifest:
    """Open an archive and check every byte against its manifest.

    Raises
    ------
    InvalidInput
        It is no backup, or something in it is missing, changed or too much.
    """
    try:
        with tarfile.open(source) as archive:
            _extract(archive, folder)
        document = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if document.get("format") != FORMAT:
            raise ValueError(f"its format is {document.get('format')!r}, not {FORMAT}")
        manifest = Manifest(**document)
    except (tarfile.TarError, ValueError, TypeError, EOFError, FileNotFoundError) as error:
        raise InvalidInput(f"{source} is no backup that can be read: {error}") from None
    wrong = list(_differences(folder, manifest))
    if wrong:
        raise InvalidInput(f"{source} is damaged, nothing was restored: {'; '.join(wrong[:5])}")
    return manifest


def _differences(folder: Path, manifest: Manifest) -> Iterator[str]:
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {MANIFEST}
    for name in sorted(there ^ set(manifest.files)):
        yield f"{name} is {'not in the manifest' if name in there else 'missing'}"
    for name in sorted(there & set(manifest.files)):
        if sha256_of(folder / name) != manifest.files[name]["sha256"]:
            yield f"{name} has changed"
