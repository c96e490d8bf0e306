"""Settings from environment variables: read, refused by name, and each of them in the contributors' guide."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from service.settings import BadSetting, Settings

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_defaults() -> None:
    settings = Settings.from_environment({})
    assert settings == Settings()
    assert (settings.port, settings.sqlite_synchronous, settings.pool_open) == (8080, "FULL", False)
    assert settings.database_url.startswith("sqlite:///")


def test_every_setting_is_read() -> None:
    given = {
        "WEAKSPOT_DATABASE_URL": "postgresql://keeper@localhost/records",
        "WEAKSPOT_SQLITE_SYNCHRONOUS": "normal",
        "WEAKSPOT_POOL_OPEN": "yes",
        "WEAKSPOT_MAX_UPLOAD_MB": "7",
        "WEAKSPOT_TOKEN_CACHE_SECONDS": "0",
        "WEAKSPOT_HOURLY_RATE": "72.5",
        "WEAKSPOT_CURRENCY": "CHF",
        "WEAKSPOT_PORT": "9000",
        "WEAKSPOT_MAX_PHOTO_MB": "3",
        "WEAKSPOT_PHOTO_FOLDER": "pictures",
        "WEAKSPOT_MAX_JSON_MB": "2",
        "WEAKSPOT_REQUEST_SECONDS": "5",
        "WEAKSPOT_REQUESTS_PER_MINUTE": "0",
        "WEAKSPOT_REFUSALS_PER_MINUTE": "6",
        "WEAKSPOT_PROXIES": "1",
        "WEAKSPOT_LOG_FORMAT": "json",
        "WEAKSPOT_LOG_LEVEL": "debug",
        "WEAKSPOT_METRICS_TOKEN": "a-token-of-length",
        "WEAKSPOT_JOB_SECONDS": "8",
        "WEAKSPOT_JOBS_WAITING": "9",
        "WEAKSPOT_FIT_AFTER_SECONDS": "10",
        "WEAKSPOT_SECRET_KEY": "thirty-two characters and more of it",
        "WEAKSPOT_LOCALE": "de_CH",
        "WEAKSPOT_OIDC_ISSUER": "https://id.example/",
        "WEAKSPOT_OIDC_CLIENT_ID": "weakspot",
        "WEAKSPOT_OIDC_CLIENT_SECRET": "thirty-two of another kind",
        "WEAKSPOT_OIDC_NAME": "Lane ID",
        "WEAKSPOT_POOL_KEY_FILE": "keys/pool.pem",
        "WEAKSPOT_POOL_PSEUDONYM_KEY": "a key that two installations agreed on",
    }
    assert {name.removeprefix("WEAKSPOT_").lower() for name in given} == {field.name for field in fields(Settings)}
    read = Settings.from_environment({**given, "HOME": "/", "WEAKSPOT_TEST_ENGINES": "sqlite"})
    assert read == Settings(
        *("postgresql://keeper@localhost/records", "NORMAL", True, 7, 0, 72.5, "CHF", 9000, 3, "pictures"),
        *(2, 5, 0, 6, 1, "JSON", "DEBUG", "a-token-of-length", 8, 9, 10),
        *("thirty-two characters and more of it", "de_CH"),
        *("https://id.example", "weakspot", "thirty-two of another kind", "Lane ID"),
        *("keys/pool.pem", "a key that two installations agreed on"),
    )
    assert "thirty-two" not in repr(read) and "agreed" not in repr(read)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("DATABASE_URL", "records.sqlite", "sqlite:///path/to/file.sqlite"),
        ("DATABASE_URL", "mysql://localhost/records", "postgresql://"),
        ("DATABASE_URL", "", "sqlite:///"),
        ("SQLITE_SYNCHRONOUS", "OFF", "FULL, NORMAL"),
        ("POOL_OPEN", "perhaps", "write 1 or 0"),
        ("MAX_UPLOAD_MB", "0", "from 1 to"),
        ("MAX_UPLOAD_MB", "1.5", "whole number"),
        ("MAX_UPLOAD_MB", "²", "whole number"),
        ("TOKEN_CACHE_SECONDS", "11", "from 0 to 10"),
        ("HOURLY_RATE", "nan", "above 0"),
        ("HOURLY_RATE", "-1", "above 0"),
        ("HOURLY_RATE", "sixty", "above 0"),
        ("CURRENCY", "eur", "ISO 4217"),
        ("CURRENCY", "EURO", "ISO 4217"),
        ("PORT", "0", "from 1 to 65535"),
        ("PORT", "65536", "from 1 to 65535"),
        ("PORTS", "80", "WEAKSPOT_PORT"),
        ("MAX_PHOTO_MB", "101", "from 1 to 100"),
        ("PHOTO_FOLDER", __file__, "not a folder"),
        ("REQUEST_SECONDS", "0", "from 1 to 3600"),
        ("LOG_FORMAT", "XML", "CONSOLE, JSON"),
        ("LOG_LEVEL", "loud", "WARNING"),
        ("METRICS_TOKEN", "short", "at least 16"),
        ("PROXIES", "-1", "from 0 to 10"),
        ("SECRET_KEY", "short", "at least 32 characters"),
        ("LOCALE", "English", "en_GB"),
        ("OIDC_ISSUER", "http://id.example", "https://"),
        ("OIDC_NAME", "two\nlines", "printable"),
    ],
)
def test_bad_value_is_refused_by_name_with_the_fix(name: str, value: str, said: str) -> None:
    with pytest.raises(BadSetting) as refused:
        Settings.from_environment({f"WEAKSPOT_{name}": value})
    assert str(refused.value).startswith(f"WEAKSPOT_{name}")
    assert said in str(refused.value)


@pytest.mark.parametrize("name", [f"WEAKSPOT_{field.name.upper()}" for field in fields(Settings)])
def test_every_setting_is_in_the_guide_with_its_default(name: str) -> None:
    table = [line.split("|") for line in GUIDE.read_text(encoding="utf-8").splitlines() if line.startswith("|")]
    ((_, _, default, meaning, _),) = [cells for cells in table if cells[1].strip() == f"`{name}`"]
    assert Settings.from_environment({name: default.strip(" `")}) == Settings()
    assert meaning.strip()


def test_folder_of_the_database_is_made(tmp_path: Path) -> None:
    Settings(database_url=f"sqlite:///{tmp_path}/a/b/c.sqlite").prepare()
    assert (tmp_path / "a" / "b").is_dir()
    Settings(database_url="sqlite://").prepare()


def test_photos_lie_beside_the_database_unless_a_folder_is_set(tmp_path: Path) -> None:
    beside = Settings(database_url=f"sqlite:///{tmp_path}/shop.sqlite").photos
    assert beside.parent == tmp_path
    assert Settings(photo_folder=str(tmp_path / "elsewhere")).photos == tmp_path / "elsewhere"
    assert Settings(database_url="postgresql://keeper@localhost/records").photos.name == "photos"


def test_a_secret_is_made_once_and_kept_to_its_owner(tmp_path: Path) -> None:
    settings = Settings(database_url=f"sqlite:///{tmp_path}/shop.sqlite")
    assert settings.secret() == settings.secret()
    (kept,) = tmp_path.iterdir()
    assert kept.stat().st_mode & 0o077 == 0
    assert Settings(database_url="sqlite:///other.sqlite", secret_key="x" * 32).secret() == "x" * 32
