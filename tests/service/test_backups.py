"""Backups: taken under writes, brought back whole on either engine, refused where something is wrong."""

from __future__ import annotations

import io
import json
import tarfile
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import func, select, text

from service.app import WeakspotApp
from service.backups.archive import unpack
from service.backups.making import back_up
from service.backups.restoring import restore
from service.backups.rows import Tally, layouts, lines_of, tally
from service.db import Database
from service.errors import Conflict, InvalidInput
from service.migrate import downgrade
from service.models import JobLine, Machine
from service.settings import Settings
from tests.service.callers import Caller, Command
from tests.service.databases import NOW, PostgresDatabases, SqliteFiles
from tests.service.inspection_cases import path_of, start
from tests.service.job_files import take_in
from tests.service.test_fitting import cards
from tests.service.test_photos import png

Databases = SqliteFiles | PostgresDatabases


def hashes(database: Database) -> dict[str, Tally]:
    with database.engine.execution_options(writes=False).connect() as connection:
        return {layout.name: tally(lines_of(connection, layout)) for layout in layouts()}


def settings_of(database: Database, folder: Path) -> Settings:
    return Settings(database_url=database.engine.url.render_as_string(hide_password=False), photo_folder=str(folder))


@pytest.fixture
def busy(app: WeakspotApp, gasket: Caller, database: Database, tmp_path: Path) -> tuple[Database, Settings]:
    """A database with cards, an inspection and a photo."""
    take_in(database, cards(3).encode(), shop="The Cog & Gasket")
    app.settings = replace(app.settings, photo_folder=str(tmp_path / "photos"))
    inspection = start(gasket)
    sent = gasket.post(path_of(inspection, "photos"), data={"photo": (io.BytesIO(png()), "a.png")})
    assert sent.status_code == 201, sent.text
    return database, settings_of(database, tmp_path / "photos")


@pytest.fixture(params=["same engine", "sqlite"])
def elsewhere(request: pytest.FixtureRequest, databases: Databases, tmp_path: Path) -> Iterator[Database]:
    """An empty database to restore into: of the engine under test, and an SQLite file."""
    source = databases if request.param == "same engine" else SqliteFiles(tmp_path)
    url = source.empty()
    database = Database(url)
    yield database
    database.dispose()
    source.drop(url)


def test_what_was_kept_of_the_old_file_goes_with_it(tmp_path: Path) -> None:
    database = Database(SqliteFiles(tmp_path).filled())
    settings = settings_of(database, tmp_path / "photos")
    take_in(database, cards(3).encode(), shop="The Cog & Gasket")
    path, _ = back_up(database, settings, tmp_path, NOW)
    kept = Path(f"{database.engine.url.database}.lives.npz")
    kept.write_bytes(b"columns of the file that was here before")
    restore(database, settings, path, replace=True)
    assert not kept.exists()
    database.dispose()


def test_comes_back_the_same(busy: tuple[Database, Settings], elsewhere: Database, tmp_path: Path) -> None:
    database, settings = busy
    path, manifest = back_up(database, settings, tmp_path, NOW)
    assert path.name == "weakspot-20260601T080000Z.tar"
    assert {name: manifest.tally_of(name) for name in manifest.tables} == hashes(database)
    other = settings_of(elsewhere, tmp_path / "photos there")
    restore(elsewhere, other, path, replace=False)
    assert hashes(elsewhere) == hashes(database)
    (photo,) = other.photos.iterdir()
    assert photo.read_bytes() == png()
    # and the numbering goes on where it was
    take_in(elsewhere, cards(4).encode(), shop="The Cog & Gasket")
    with elsewhere.read() as session:
        assert session.scalar(select(func.count(Machine.id))) == 4
    with pytest.raises(Conflict, match="holds records already"):
        restore(elsewhere, other, path, replace=False)
    restore(elsewhere, other, path, replace=True)
    assert hashes(elsewhere) == hashes(database)


def test_sqlite_comes_back_on_postgresql(busy: tuple[Database, Settings], databases: Databases, tmp_path: Path) -> None:
    """The other way round is above; a backup of SQLite goes to whatever engine is under test."""
    database, settings = busy
    path, _ = back_up(database, settings, tmp_path / "first.tar.gz", NOW)
    lite = Database(f"sqlite:///{tmp_path / 'lite.sqlite'}")
    restore(lite, settings_of(lite, tmp_path / "p1"), path, replace=False)
    again, _ = back_up(lite, settings_of(lite, tmp_path / "p1"), tmp_path / "second.tar", NOW)
    back = Database(databases.empty())
    restore(back, settings_of(back, tmp_path / "p2"), again, replace=False)
    assert hashes(back) == hashes(lite) == hashes(database)
    back.dispose()
    lite.dispose()
    databases.drop(back.url)


def test_one_moment_while_others_write(busy: tuple[Database, Settings], databases: Databases, tmp_path: Path) -> None:
    """Every card is written with two lines in one transaction: a backup holds both or none."""
    database, settings = busy
    stop = threading.Event()
    errors: list[BaseException] = []

    def write(number: int) -> None:
        head = "card,date,machine,make,model,first_registered,odometer,unit,component,action,reason\n"
        row = 0
        try:
            while not stop.is_set():
                row += 1
                line = f"w{number}-{row},2020-01-01,W{number},Tindrake,Lanner 650,2010-01-01,,,"
                both = f"{head}{line}stator,renewed,failed\n{line}battery,renewed,failed\n"
                take_in(database, both.encode(), shop="The Cog & Gasket")
        except BaseException as error:
            errors.append(error)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(3)]
    for writer in writers:
        writer.start()
    taken = [back_up(database, settings, tmp_path / f"{number}.tar", NOW) for number in range(3)]
    stop.set()
    for writer in writers:
        writer.join()
    assert errors == []
    back = Database(databases.empty())
    for path, manifest in taken:
        restore(back, settings_of(back, tmp_path / "p"), path, replace=True)
        assert hashes(back) == {name: manifest.tally_of(name) for name in manifest.tables}
        with back.read() as session:
            numbers = session.scalars(
                select(func.count(JobLine.id)).where(JobLine.reason == "failed").group_by(JobLine.card_id)
            )
            assert set(numbers) <= {2}
    assert taken[-1][1].rows > taken[0][1].rows  # they did write meanwhile
    back.dispose()
    databases.drop(back.url)


def rewritten(path: Path, out: Path, name: str, change: bytes | None) -> Path:
    """The archive with one member changed, or left out."""
    with tarfile.open(path) as old, tarfile.open(out, "w") as new:
        for member in old.getmembers():
            content = old.extractfile(member)
            assert content is not None
            data = content.read()
            if member.name.endswith(name):
                if change is None:
                    continue
                data += change
                member.size = len(data)
            new.addfile(member, io.BytesIO(data))
    return out


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        (".png", b"x", "has changed"),
        (".png", None, "is missing"),
        ("manifest.json", b"x", "no backup"),
        ("", None, "no backup"),
    ],
)
def test_a_damaged_backup_changes_nothing(
    busy: tuple[Database, Settings], tmp_path: Path, name: str, change: bytes | None, said: str
) -> None:
    database, settings = busy
    path, _ = back_up(database, settings, tmp_path / "a.tar", NOW)
    before = hashes(database)
    with pytest.raises(InvalidInput, match=said):
        restore(database, settings, rewritten(path, tmp_path / "b.tar", name, change), replace=True)
    assert hashes(database) == before
    assert len(list(settings.photos.iterdir())) == 1
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".weakspot")] == []


@pytest.mark.parametrize(
    ("name", "kind"), [("../out", tarfile.REGTYPE), ("/out", tarfile.REGTYPE), ("out", tarfile.SYMTYPE)]
)
def test_nothing_is_written_outside_the_folder(tmp_path: Path, name: str, kind: bytes) -> None:
    member = tarfile.TarInfo(name if name != "/out" else str(tmp_path / "out"))
    member.type, member.linkname = kind, str(tmp_path / "out")
    with tarfile.open(tmp_path / "a.tar", "w") as archive:
        archive.addfile(member, io.BytesIO(b""))
        member = tarfile.TarInfo("out")
        member.size = 1
        archive.addfile(member, io.BytesIO(b"x"))
    (tmp_path / "in").mkdir()
    with pytest.raises(InvalidInput, match="no plain file of a backup"):
        unpack(tmp_path / "a.tar", tmp_path / "in")
    assert not (tmp_path / "out").exists()


def test_a_failure_half_way_changes_nothing(
    busy: tuple[Database, Settings], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database, settings = busy
    path, _ = back_up(database, settings, tmp_path / "a.tar", NOW)
    take_in(database, cards(5).encode(), shop="The Cog & Gasket")
    before = hashes(database)
    monkeypatch.setattr("service.backups.restoring.tally", lambda lines: Tally(0, ""))
    with pytest.raises(Conflict, match="nothing was restored"):
        restore(database, settings, path, replace=True)
    assert hashes(database) == before


def test_a_backup_of_a_newer_program_is_refused(busy: tuple[Database, Settings], tmp_path: Path) -> None:
    database, settings = busy
    path, manifest = back_up(database, settings, tmp_path / "a.tar", NOW)
    unpack(path, tmp_path / "x")
    document = json.loads((tmp_path / "x" / "manifest.json").read_text())
    (tmp_path / "x" / "manifest.json").write_text(json.dumps(document | {"revision": "9999"}))
    with tarfile.open(tmp_path / "b.tar", "w") as archive:
        archive.add(tmp_path / "x", "")
    with pytest.raises(Conflict, match="9999"):
        restore(database, settings, tmp_path / "b.tar", replace=True)
    assert manifest.revision != "9999"


def test_an_open_sqlite_file_is_not_replaced(busy: tuple[Database, Settings], tmp_path: Path) -> None:
    database, settings = busy
    if database.engine.dialect.name != "sqlite":
        return  # PostgreSQL's transaction waits for others instead
    path, _ = back_up(database, settings, tmp_path / "a.tar", NOW)
    before = hashes(database)
    other = Database(database.url)
    with other.read() as session:
        session.execute(text("SELECT count(*) FROM shop")).all()
        with pytest.raises(Conflict, match="in use"):
            restore(database, settings, path, replace=True)
    other.dispose()
    assert hashes(database) == before


def test_an_older_revision_is_brought_up(busy: tuple[Database, Settings], elsewhere: Database, tmp_path: Path) -> None:
    """Only SQLite's copy can be taken back a step: the rows' layout is the running program's."""
    database, settings = busy
    if database.engine.dialect.name != "sqlite":
        return
    path, _ = back_up(database, settings, tmp_path / "a.tar", NOW)
    assert restore(elsewhere, settings_of(elsewhere, tmp_path / "p"), path, replace=False).rows > 0
    downgrade(elsewhere, "-1")
    restore(elsewhere, settings_of(elsewhere, tmp_path / "p"), path, replace=True)
    assert hashes(elsewhere) == hashes(database)


def test_commands(weakspot: Command, busy: tuple[Database, Settings], tmp_path: Path) -> None:
    database, _ = busy
    database.dispose()
    code, out, _ = weakspot("backup", str(tmp_path / "b.tar"), "--json")
    told = json.loads(out)
    assert (code, told["tables"]["machine"]["rows"]) == (0, 3)
    code, out, err = weakspot("restore", str(tmp_path / "b.tar"))
    assert code == 1 and "--replace" in out + err
    code, out, err = weakspot("restore", str(tmp_path / "b.tar"), "--replace")
    assert code == 0, err
    assert "restored from" in out
    code, out, err = weakspot("restore", __file__)
    assert code == 1 and "no backup" in out + err
