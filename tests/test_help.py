"""The helps: what a person reads before anything else, on any terminal, and the spelling that all commands share."""

from __future__ import annotations

import configparser
import io
import os
import re
import shlex
import subprocess
import sys
from importlib import metadata
from pathlib import Path
from unittest import mock

import pytest

from tests.command import lowside
from tests.projects import TABLES, write_project
from viewer.cli import commands as tree
from viewer.cli import main
from viewer.commands.machine import icon
from viewer.handbook.book import pages


def commands():
    """Give every command with the words that call it, those of groups too."""
    left = [((), tree())]
    while left:
        words, one = left.pop()
        below = getattr(one, "commands", {})
        left += [((*words, name), inner) for name, inner in below.items()]
        if not below:
            yield words, one


ALL = sorted(commands(), key=lambda item: item[0])
VISIBLE = [(words, one) for words, one in ALL if not one.hidden]


def in_encoding(encoding, *arguments):
    """Run ``lowside`` with a terminal of an encoding, as strict as Windows has it; return the status and all text."""
    streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict") for _ in range(2)]
    with (
        mock.patch.object(sys, "argv", ["lowside", *map(str, arguments)]),
        mock.patch.object(sys, "stdout", streams[0]),
        mock.patch.object(sys, "stderr", streams[1]),
    ):
        try:
            main()
            status = 0
        except SystemExit as end:
            status = end.code
    for stream in streams:
        stream.flush()
    return status, "".join(stream.buffer.getvalue().decode(encoding) for stream in streams)


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_every_help_can_be_shown_on_a_terminal_without_all_letters(encoding):
    """``surface --help`` used to end with a UnicodeEncodeError under code page 1252, for its σ."""
    for words, _ in [((), None), *ALL]:
        status, text = in_encoding(encoding, *words, "--help")
        assert status == 0, (words, text)
        assert "Usage: lowside" in text
    assert r"\u03c3" in in_encoding(encoding, "surface", "--help")[1]


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_check_speaks_on_a_terminal_without_all_letters(encoding, tmp_path):
    folder = write_project(tmp_path, surveys=TABLES["surveys"].replace("A,60,92", "A,60,Öst Σ"))
    status, text = in_encoding(encoding, "check", folder, "--quick")
    assert status == 1
    assert r"\u03a3" in text
    assert "expected a number" in text


def test_every_command_stands_in_a_panel_and_in_the_handbook_under_its_name():
    panels = {name: one.rich_help_panel for name, one in tree().commands.items()}
    assert None not in panels.values()
    (page,) = (page for page in pages() if page.name == "commands")
    told = re.split(r"^## (.+)$", page.text, flags=re.MULTILINE)
    for panel, text in zip(told[1::2], told[2::2], strict=True):
        for name in re.findall(r"^### `lowside (\w+)", text, re.MULTILINE):
            assert panels[name] == panel, name


@pytest.mark.parametrize(("words", "command"), VISIBLE, ids=[" ".join(words) for words, _ in VISIBLE])
def test_every_help_has_an_example_that_the_command_understands(words, command):
    example = re.search(r"^Example: lowside (.+)$", command.help, re.MULTILINE)
    assert example, "a help without an example"
    said = shlex.split(example.group(1))
    assert said[: len(words)] == list(words)
    assert command.make_context("lowside", said[len(words) :]).params


def test_no_switch_is_called_a_bool_and_paragraphs_wrap_as_wholes():
    for words, _ in [((), None), *ALL]:
        done = lowside(*words, "--help")
        assert "<bool>" not in done.stdout, words
    assert "tables of collars, surveys, runs \n" in re.sub(r" +", " ", lowside("--help").stdout)


def test_the_same_thing_has_one_spelling_in_all_commands():
    spelling: dict[str, set[str]] = {}
    for _, command in ALL:
        for one in command.params:
            for name in one.opts:
                spelling.setdefault(name, set()).add((one.metavar or "").split("[")[0])
    assert spelling["--kind"] == {"KIND"}
    assert spelling["--hole"] == {"HOLE"}
    assert spelling["--suspects"] == {"FILE"}
    assert spelling["--colour"] <= {"TABLE", "TABLE.COLUMN"}
    assert spelling["--holes"] == {"N"}, "a number of holes; their names are --hole"
    assert not {"--lineup", "--kinds", "--holes-by", "--discs-by", "--color"} & spelling.keys()


def test_quiet_leaves_answers_and_what_is_wrong(tmp_path):
    good = write_project(tmp_path / "good")
    loud, quiet = (lowside("check", good, "--quick", *more) for more in ((), ("--quiet",)))
    assert quiet.stdout == loud.stdout != ""
    assert "Next:" in loud.stderr
    assert quiet.stderr == ""
    bad = write_project(tmp_path / "bad", surveys=TABLES["surveys"].replace("A,60,92", "A,60,east"))
    done = lowside("trace", bad, "--out", tmp_path / "t.csv", "-q")
    assert done.returncode == 1
    assert "azimuth is 'east'" in done.stderr
    assert "written to" not in done.stderr
    assert "no such project folder" in lowside("trace", tmp_path / "none", "--out", tmp_path / "t.csv", "-q").stderr


def test_a_finding_is_one_line_in_a_file(tmp_path):
    """Findings used to be wrapped at 80 columns in a file, so that no search found them."""
    folder = write_project(tmp_path, surveys=TABLES["surveys"].replace("A,60,92", "A,60,east"))
    lines = lowside("check", folder, "--quick").stdout.splitlines()
    assert [line for line in lines if "azimuth is 'east', expected a number" in line]
    assert all(line == line.rstrip() for line in lines)


def test_the_shell_completes_commands_and_options(monkeypatch):
    monkeypatch.setenv("_LOWSIDE_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", "lowside ho")
    monkeypatch.setenv("COMP_CWORD", "1")
    assert lowside().stdout.split() == ["holelog"]
    monkeypatch.setenv("COMP_WORDS", "lowside check demo_project --as")
    monkeypatch.setenv("COMP_CWORD", "3")
    assert lowside().stdout.split() == ["--as-logged"]


def test_the_doctor_says_what_is_there_and_nobodys_name(monkeypatch):
    done = lowside("doctor")
    assert done.returncode == 0, done.stdout
    said = dict(re.findall(r"^([\w ]+): +(.+)$", done.stdout, re.MULTILINE))
    assert said["lowside"] == metadata.version("lowside")
    assert f"numpy {metadata.version('numpy')}" in said["libraries"]
    assert f"lasio {metadata.version('lasio')}" in said["formats"]
    assert "OpenGL" in said["pictures"]
    assert str(Path.home()) not in done.stdout


PLACE = '/opt/core shed/100% "sure"/$HOME/`x`/py'
"""A path with everything that a shell or a desktop would take for its own."""


def unquoted(entry):
    """Return the arguments of a desktop entry's Exec line, read as the specification says."""
    text = entry.replace("\\\\", "\\").replace("%%", "%")
    return [re.sub(r"\\(.)", r"\1", part) for part in re.findall(r'"((?:[^"\\]|\\.)*)"', text)]


def test_the_start_icon_of_a_linux_desktop_reads_back(tmp_path):
    """Desktop Entry Specification 1.5, "The Exec key"; and the real one starts this very program."""
    name, text = icon("linux", [PLACE, "-m", "viewer"])
    entry = configparser.RawConfigParser()
    entry.optionxform = str
    entry.read_string(text)
    assert name == "lowside.desktop"
    assert entry["Desktop Entry"]["Type"] == "Application"
    assert unquoted(entry["Desktop Entry"]["Exec"]) == [PLACE, "-m", "viewer"]
    done = lowside("shortcut", "--to", tmp_path)
    assert done.returncode == 0, done.stderr
    entry.read_string((tmp_path / name).read_text(encoding="utf-8"))
    started = subprocess.run([*unquoted(entry["Desktop Entry"]["Exec"]), "--version"], capture_output=True, text=True)
    assert started.stdout.strip() == f"lowside {metadata.version('lowside')}", started.stderr
    assert os.access(tmp_path / name, os.X_OK)


def test_the_start_icon_of_a_mac_is_a_script_that_starts_what_it_should(tmp_path):
    python = tmp_path / "core shed's $HOME"
    python.symlink_to("/bin/echo")
    name, text = icon("darwin", [str(python), "-m", "viewer"])
    (tmp_path / name).write_text(text, encoding="utf-8")
    done = subprocess.run(["/bin/sh", tmp_path / name, "a b"], capture_output=True, text=True)
    assert done.stdout == "-m viewer a b\n", done.stderr


def test_the_start_icon_of_windows_quotes_its_path():
    """No Windows is at hand: the text is held to what ``cmd`` documents of quotes and per cent signs."""
    name, text = icon("win32", [r"C:\Users\Åsa Öst\100%\python.exe", "-m", "viewer"])
    assert name == "lowside.cmd"
    assert '"C:\\Users\\Åsa Öst\\100%%\\python.exe" "-m" "viewer" %*\r\n' in text
    assert text.count("\n") == text.count("\r\n")
