"""With several processes, the tests of one file stay together: what they share is made once."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SHARING = """
import os
import time
from pathlib import Path

import pytest

@pytest.mark.parametrize("number", range(6))
def test_where(number):
    time.sleep(0.1)
    with open(Path(__file__).with_suffix(".places"), "a") as places:
        places.write(os.environ["PYTEST_XDIST_WORKER"] + "\\n")
"""


@pytest.mark.slow
def test_a_files_tests_go_to_one_process(tmp_path: Path) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    files = [tmp_path / f"test_{name}.py" for name in ("some", "more", "others")]
    for file in files:
        file.write_text(SHARING)
    command = [sys.executable, "-m", "pytest", "-n", "2", "--dist", "loadgroup", "-p", "no:cacheprovider"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    places = [file.with_suffix(".places").read_text().split() for file in files]
    assert [len(found) for found in places] == [6, 6, 6]
    assert [len(set(found)) for found in places] == [1, 1, 1]
    assert len({found[0] for found in places}) == 2
