"""Hundreds of damaged configs: each is right, or refused with sentences that say where and why."""

import re
import shutil
import tracemalloc

import numpy as np
import pytest

from pipeline.__main__ import BAD_CONFIG, DONE, FAILED, main
from pipeline.settings.source import read_source
from tests.unit.damaged_configs import HOSTILE, WHOLE, mutated
from tests.unit.raw_frames import exposure, write

MUTANTS = 240

MOST_MEMORY_MB = 40.0
"""The longest text that is read (1 MB, in Python up to 4 bytes a character, held twice) and 20 000 values of 1 kB, as the
YAML library keeps them; what aliases of aliases stand for would fill any machine."""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working folder with two lights."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(4)
    for k in range(2):
        write(tmp_path / "frames" / f"light_{k}.fits", exposure(rng, 900, shape=(32, 48)))
    return tmp_path


def refused_properly(code, said, path):
    assert code in (BAD_CONFIG, FAILED)
    assert "Traceback" not in said
    assert said.strip()
    if code == BAD_CONFIG:
        first, *findings = said.rstrip("\n").split("\n")
        assert re.fullmatch(rf"{re.escape(str(path))}: (1 mistake|\d+ mistakes) in the config", first)
        assert findings
        # Each ends as a sentence does; the longest value that is repeated is 60 characters.
        assert all(len(line) < 1000 for line in findings)


def test_the_config_that_is_mutated_is_right(folder):
    path = folder / "target.yaml"
    path.write_text(WHOLE, encoding="utf-8")
    assert main(["validate", str(path)]) == DONE


def test_mutated_configs_are_right_or_refused(folder, capsys):
    """Those that pass are used: the check of a folder of frames runs with them, whatever their values."""
    rng = np.random.default_rng(707)
    path = folder / "target.yaml"
    passed = 0
    for _ in range(MUTANTS):
        path.write_bytes(mutated(WHOLE, rng))
        code = main(["validate", str(path)])
        said = capsys.readouterr().err
        if code == DONE:
            passed += 1
            code = main(["check", str(path)])
            said = capsys.readouterr().err
            for other in folder.iterdir():
                if other.is_dir() and other.name != "frames":
                    shutil.rmtree(other)
        if code != DONE:
            refused_properly(code, said, path)
    # The seed must try both: some slips hit a comment or a name that may be anything.
    assert 10 < passed < MUTANTS / 2


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_configs_are_refused_within_bounds(folder, capsys, name):
    path = folder / "target.yaml"
    path.write_bytes(HOSTILE[name])
    tracemalloc.start()
    try:
        read_source(path)
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert peak_mb < MOST_MEMORY_MB
    code = main(["validate", str(path)])
    said = capsys.readouterr().err
    if name in ("byte order mark", "line ends of two characters"):
        assert code == DONE
    else:
        assert code == BAD_CONFIG
        refused_properly(code, said, path)


def test_a_config_that_is_a_folder_or_is_not_there(folder, capsys):
    for path in (folder, folder / "nowhere.yaml", folder / ("x" * 300)):
        assert main(["validate", str(path)]) == BAD_CONFIG
        refused_properly(BAD_CONFIG, capsys.readouterr().err, path)
