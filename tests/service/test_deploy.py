"""The examples of a deployment name commands, settings and files that exist."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import click
import pytest
import yaml

from service.cli import cli
from service.settings import Settings

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "service" / "deploy"
SETTINGS = {f"WEAKSPOT_{field.name.upper()}" for field in fields(Settings)}
OWN = {"WEAKSPOT_DB_PASSWORD"}  # the compose file's, for its database


def compose() -> dict[str, Any]:
    document: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    return document


def unit_lines(name: str) -> list[str]:
    text = (DEPLOY / "weakspot.service").read_text(encoding="utf-8")
    return [line.partition("=")[2] for line in text.splitlines() if line.startswith(f"{name}=")]


def commands() -> Iterator[list[str]]:
    for service in compose()["services"].values():
        if service.get("command", [""])[0] == "weakspot":
            yield service["command"][1:]
    for line in (*unit_lines("ExecStart"), *unit_lines("ExecStartPre")):
        yield line.split()[1:]
    (told,) = re.findall(r"^CMD \[(.*)\]$", (DEPLOY / "Dockerfile").read_text(encoding="utf-8"), re.MULTILINE)
    yield [word.strip(' "') for word in told.split(",")][1:]


@pytest.mark.parametrize("words", list(commands()), ids=" ".join)
def test_commands_and_their_options_exist(words: list[str]) -> None:
    command: click.Command = cli
    rest = list(words)
    while isinstance(command, click.Group):
        command = command.commands[rest.pop(0)]
    context = click.Context(command)
    command.parse_args(context, rest)  # raises for what is not known


def test_settings_exist_and_can_be_used() -> None:
    named = set()
    for path in DEPLOY.iterdir():
        named |= set(re.findall(r"WEAKSPOT_[A-Z_]+", path.read_text(encoding="utf-8")))
    assert named - OWN <= SETTINGS
    for service in compose()["services"].values():
        given = {k: re.sub(r"\$\{[^}]*\}", "", v) for k, v in service.get("environment", {}).items() if k in SETTINGS}
        Settings.from_environment(given)
    Settings.from_environment(dict(line.split("=", 1) for line in unit_lines("Environment")))


def test_two_replicas_two_workers_one_database_behind_a_proxy() -> None:
    services = compose()["services"]
    serving = [name for name, service in services.items() if service.get("command", ["", ""])[1] == "serve"]
    working = [name for name, service in services.items() if service.get("command", ["", ""])[1] == "worker"]
    assert (len(serving), len(working)) == (2, 2)
    assert [name for name, service in services.items() if "ports" in service] == ["proxy"]
    proxy = (DEPLOY / "proxy.conf").read_text(encoding="utf-8")
    assert set(re.findall(r"server (\S+):8080", proxy)) == set(serving)
    for service in services.values():
        assert set(service.get("depends_on", {})) <= set(services)
        for volume in service.get("volumes", ()):
            source = volume.split(":")[0]
            assert source in compose()["volumes"] or (DEPLOY / source).exists()
    build = services["replica-1"]["build"]
    assert (DEPLOY / build["context"] / build["dockerfile"]).resolve() == DEPLOY / "Dockerfile"


def test_replicas_sign_alike_and_may_write_where_they_are_told_to() -> None:
    services = compose()["services"]
    dockerfile = (DEPLOY / "Dockerfile").read_text(encoding="utf-8").partition("USER weakspot")[0]
    (owned,) = re.findall(r"chown weakspot: (.*)", dockerfile)
    ours = [service for service in services.values() if service.get("image") == "weakspot"]
    assert len(ours) == 5
    for service in ours:
        # Compose stops where it is not set: a key that each container makes for itself is no key for two.
        assert service["environment"]["WEAKSPOT_SECRET_KEY"].startswith("${WEAKSPOT_SECRET_KEY:?")
        settings = Settings.from_environment(
            {name: service["environment"][name] for name in ("WEAKSPOT_PHOTO_FOLDER", "WEAKSPOT_POOL_KEY_FILE")}
        )
        mounted = {volume.split(":")[1] for volume in service["volumes"]}
        assert {str(settings.photos), str(Path(settings.pool_key_file).parent)} == mounted == set(owned.split())


def test_proxy_lets_through_what_the_server_takes() -> None:
    (most,) = re.findall(r"client_max_body_size (\d+)m;", (DEPLOY / "proxy.conf").read_text(encoding="utf-8"))
    assert int(most) > Settings().max_upload_mb


def test_systemd_accepts_the_unit(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        return  # the tests above have read the unit already
    text = (DEPLOY / "weakspot.service").read_text(encoding="utf-8")
    # Only what is here can be checked: the program and the user are those of another machine.
    there = text.replace("/opt/weakspot/.venv/bin/weakspot", shutil.which("true") or "/bin/true")
    unit = tmp_path / "weakspot.service"
    unit.write_text(there.replace("User=weakspot", "User=root").replace("Group=weakspot", "Group=root"))
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False)
    assert "weakspot.service" not in done.stderr, done.stderr
    assert done.returncode == 0, done.stderr
