"""On the build machine a skipped test is a failed one: what tests need is installed there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SKIPPING = """
import pytest

def test_inside():
    pytest.skip("install chromium")

@pytest.mark.skipif(True, reason="install pango")
def test_marked():
    pass

@pytest.mark.xfail(reason="known", strict=True)
def test_expected():
    assert False

def test_good():
    pass
"""


@pytest.mark.parametrize(
    ("ci", "outcome", "code"),
    [
        ("true", "1 failed, 1 passed, 1 xfailed, 1 error", 1),
        ("", "1 passed, 2 skipped, 1 xfailed", 0),
        ("false", "1 passed, 2 skipped, 1 xfailed", 0),
    ],
)
def test_skips_fail_with_ci_only(tmp_path: Path, ci: str, outcome: str, code: int) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_some.py").write_text(SKIPPING)
    command = [sys.executable, "-m", "pytest", "-q", "-ra", "-p", "no:cacheprovider", "test_some.py"]
    environment = {**os.environ, "CI": ci}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert outcome in done.stdout
    assert done.returncode == code
    assert "install chromium" in done.stdout and "install pango" in done.stdout
