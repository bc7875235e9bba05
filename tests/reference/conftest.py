"""Runs the program as a person's script would: the command line, one JSON document, the promised exit status."""

import json
import os
import subprocess
from pathlib import Path

import pytest

PROGRAM = Path(os.environ.get("SHEETLOFT", Path(__file__).parents[2] / "target/debug/sheetloft"))


class Program:
    """The program over one shop file."""

    def __init__(self, folder):
        self.folder = folder
        self.shop = folder / "shop.db"

    def __call__(self, *args, status=0):
        """The JSON document of one command; fails unless it ends with `status`."""
        out = self.run(*args)
        assert out.returncode == status, f"{args}: {out.returncode}, {out.stderr}"
        if status > 1:
            assert out.stdout == "", "bad input prints no document"
            assert out.stderr.count("\n") == 1, f"one line says what is wrong: {out.stderr}"
            return out.stderr
        return json.loads(out.stdout)

    def command(self, *args):
        return [str(a) for a in [PROGRAM, "--shop", self.shop, "--json", *args]]

    def run(self, *args):
        return subprocess.run(self.command(*args), capture_output=True, text=True, timeout=300)

    def write(self, name, text):
        """A file in the test's folder."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def lines(self, name, rows):
        """A file of JSON lines."""
        return self.write(name, "".join(json.dumps(row) + "\n" for row in rows))


@pytest.fixture
def program(tmp_path):
    """The program over no shop yet. After the test, a shop that was made is checked."""
    program = Program(tmp_path)
    yield program
    if program.shop.exists():
        check = program("check")
        assert check["ok"] and check["found"] == []


@pytest.fixture
def shop(program):
    """The program over an empty shop in mm and EUR, with one material: 0.2 kerf, 1 gap, 3 margin."""
    program("init", "--unit", "mm", "--currency", "EUR", "--name", "References")
    program(
        *("material", "add", "--name", "Ply 6", "--thickness", "6", "--density", "680", "--price", "20"),
        *("--kerf", "0.2", "--gap", "1", "--margin", "3", "--keep-from", "100x100"),
    )
    program("rack", "add", "A1")
    return program


@pytest.fixture(scope="session")
def reader(tmp_path_factory):
    """The program over one shop for all tests that only read drawings."""
    program = Program(tmp_path_factory.mktemp("reader"))
    program("init", "--unit", "mm")
    yield program
    assert program("check")["ok"]
