"""What a run must not do to its inputs, and the machine not to a run: every command, found in the application.

The truth here is the operating system: files are compared byte by byte, the disk is a real one of one mebibyte that is
really full, the folder is closed to a real ordinary user.
"""

from __future__ import annotations

import contextlib
import hashlib
import inspect
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

import desurvey
from desurvey import campaign
from desurvey.exchange import write_table
from desurvey.outputs import REMEMBERED, protect, replacing
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project
from viewer.cli import app

READ = {"project", "folder", "archive", "accept", "suspects", "token_file", "collars", "read"}
"""Parameters that name something to read; every other path of a command is written."""

ENDINGS = {
    "check": ".csv", "trace": ".csv", "orient": ".csv", "suspects": ".csv", "aim": ".csv", "surface": ".vtp",
    "contours": ".dxf", "shot": ".png", "html": ".html", "section": ".pdf", "plan": ".pdf", "net": ".svg",
    "holelog": ".pdf", "report": ".html", "pdf": ".pdf", "export": ".glb", "strip": ".pdf", "since": ".json",
    "figure": ".svg", "workbook": ".xlsx",
}  # fmt: skip
"""Ending of what a command writes, or of the option itself; tables otherwise."""

MORE = {
    "section": ["--line", "950,2000,1150,2000", "--no-faults"],
    "plan": ["--no-faults"],
    "holelog": ["--hole", "A"],
    "surface": ["--contact", "lithology.rock", "--between", "schist,dyke", "--bedding", "fault"],
    "view": ["--size", "80", "60"],
    "export": ["--no-faults"],
    "report": ["--no-scene", "--no-logs"],
    "strip": ["--size", "N"],
    "follow": ["A", "--once"],
    "lost": ["--marker", "fault"],
}
"""What a command needs beside the project and its output, to be quick on two holes."""

FOLDERS = {("lineup", "out"): "picks.csv", ("shortcut", "to"): "lowside.desktop"}
"""Outputs that are folders, and a file in each that is written."""

NO_PROJECT = {"strip", "shortcut"}

INPUTS = ["project.toml", *(f"{name}.csv" for name in TABLES), "ground.csv", "decisions.toml", "views.json"]


def commands():
    return {info.callback.__name__: inspect.unwrap(info.callback) for info in app.registered_commands}


def is_path(hint):
    return hint is Path or any(is_path(part) for part in get_args(hint))


def outputs():
    """Return every command with every parameter of it that is written to."""
    return [
        (name, option)
        for name, command in commands().items()
        for option, hint in get_type_hints(command).items()
        if option not in READ and is_path(hint)
    ]


def written(command, option, folder, target):
    """Return the arguments that make a command write an option to a target, and what else it must write elsewhere."""
    project = [] if command in NO_PROJECT else [folder]
    more = list(MORE.get(command, []))
    if option != "out" and command in {"trace", "surface", "report", "suspects", "score", "slip"}:
        elsewhere = Path(tempfile.mkdtemp()) / f"other{ENDINGS.get(command, '.csv')}"
        more += ["--out", elsewhere]
    return [command, *project, f"--{option.replace('_', '-')}", target, *more]


@pytest.fixture
def project(tmp_path):
    toml = PROJECT_TOML + '[checks]\ntopography = "ground.csv"\n'
    folder = write_project(tmp_path / "project", toml)
    (folder / "ground.csv").write_text("easting,northing,elevation\n0,0,100\n2000,0,100\n0,4000,100\n2000,4000,100\n")
    (folder / "decisions.toml").write_text("# none\n", encoding="utf-8")
    (folder / "views.json").write_text("{}\n", encoding="utf-8")
    return folder


def checksums(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def ending(command, option):
    return ENDINGS.get(option) or (ENDINGS[command] if option == "out" and command in ENDINGS else ".csv")


# ---------------------------------------------------------------------------------------------- inputs stay as they are


@pytest.mark.parametrize(("command", "option"), outputs(), ids=lambda value: value)
def test_no_command_writes_over_an_input(command, option, project, tmp_path):
    """Used to end well: ``lowside trace P --out P/surveys.csv`` replaced the survey table."""
    if command in NO_PROJECT:
        pytest.skip("it reads no project, so it can't know one; a .pdf is nobody's table")
    before = checksums(project)
    for number, name in enumerate(INPUTS):
        if (command, option) in FOLDERS:
            target = tmp_path / f"folder{number}"
            target.mkdir()
            (target / FOLDERS[command, option]).hardlink_to(project / name)
        else:
            target = tmp_path / f"link{number}{ending(command, option)}"
            target.symlink_to(project / name)
        done = lowside(*written(command, option, project, target))
        assert done.returncode == 2, (name, done.stderr)
        assert "inputs are never written to" in done.stderr
        assert checksums(project) == before
    assert list(project.glob(".*")) == []


def links(name, folder):
    """Give a file under every name that leads to it."""
    hard, soft, chain = (folder / f"{kind}.csv" for kind in ("hard", "soft", "chain"))
    hard.hardlink_to(name)
    soft.symlink_to(name)
    chain.symlink_to(soft)
    (folder / "way").symlink_to(name.parent)
    return [name, hard, soft, chain, folder / "way" / name.name, name.parent / ".." / name.parent.name / name.name]


@pytest.mark.parametrize("name", INPUTS)
def test_an_input_is_refused_by_every_name_that_leads_to_it(name, project, tmp_path, monkeypatch):
    load_project(project)
    before = checksums(project)
    for path in links(project / name, tmp_path):
        with pytest.raises(DataProblem, match="inputs are never written to"), replacing(path) as partial:
            partial.write_text("lost", encoding="utf-8")
    monkeypatch.chdir(project)
    with pytest.raises(DataProblem, match="inputs are never written to"), replacing(Path(name)) as partial:
        partial.write_text("lost", encoding="utf-8")
    assert checksums(project) == before


def test_a_missing_table_a_zip_a_sheet_and_a_folder_are_inputs_too(tmp_path):
    (tmp_path / "field.zip").write_bytes(b"")
    (tmp_path / "log.xlsx").write_bytes(b"")
    (tmp_path / "runs").mkdir()
    protect(tmp_path, ["field.zip/collars.csv", "log.xlsx#surveys", "structures.csv", "runs"])
    for name in ("field.zip", "log.xlsx", "structures.csv", "runs/0000.parquet"):
        with pytest.raises(DataProblem, match="inputs are never written to"), replacing(tmp_path / name):
            pass
    with replacing(tmp_path / "decisions.toml", own=True) as partial:  # its own part writes it
        partial.write_text("# one\n", encoding="utf-8")


def test_what_one_project_says_doesnt_hold_for_another(tmp_path):
    one, other = write_project(tmp_path / "one"), write_project(tmp_path / "other")
    load_project(one)
    write_table(load_project(other).collars, tmp_path / "surveys.csv")
    (one / "project.toml").write_text(PROJECT_TOML.replace("surveys.csv", "gyro.csv"), encoding="utf-8")
    load_project(one)
    write_table(load_project(other).collars, one / "surveys.csv")
    for number in range(REMEMBERED + 5):
        protect(tmp_path / f"p{number}", ["collars.csv"])
    write_table(load_project(other).collars, one / "collars.csv")  # so many projects later it is forgotten


def test_one_file_in_two_places_of_a_command_is_refused(project, tmp_path):
    """``orient --accept s.csv --out s.csv`` replaced the list that a person had edited."""
    chosen = tmp_path / "suspects.csv"
    chosen.write_text("suspect_id\n", encoding="utf-8")
    done = lowside("orient", project, "--accept", chosen, "--out", chosen)
    assert done.returncode == 2
    assert "name the same file" in done.stderr
    assert chosen.read_text(encoding="utf-8") == "suspect_id\n"


# ------------------------------------------------------------------------------------------ what the machine can't do


@pytest.fixture(scope="module")
def full_disk(tmp_path_factory):
    """Give a file system of one mebibyte."""
    place = tmp_path_factory.mktemp("full")
    command = ["mount", "-t", "tmpfs", "-o", "size=1m,mode=777", "tmpfs", str(place)]
    if sys.platform == "win32" or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small file system isn't permitted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def ordinary_user():
    """Work as nobody, so that a closed folder is closed."""
    if sys.platform == "win32":
        pytest.skip("folders are closed in another way here")
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture(scope="module")
def open_project():
    """Give a project with a state that everybody can read."""
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        folder = write_project(Path(place) / "project")
        campaign.keep(desurvey.open(folder))  # what has changed since
        yield folder


def one_message(done):
    """Hold that a command ended with 2 and one sentence, after whatever it had already said of its work."""
    assert done.returncode == 2, done.stderr
    assert done.stderr.splitlines()[-1].startswith("lowside: ")
    assert "Traceback" not in done.stderr


def fill(disk):
    """Leave not a byte on a file system."""
    handle = os.open(disk / "filler", os.O_WRONLY | os.O_CREAT)
    with contextlib.suppress(OSError):
        while True:
            os.write(handle, bytes(4096))
    os.close(handle)


@pytest.mark.parametrize(("command", "option"), outputs(), ids=lambda value: value)
def test_a_command_writes_or_says_in_one_message_why_it_cant(command, option, open_project, full_disk, tmp_path):
    """A full disk used to be a traceback and exit 1, which means done, in orient, suspects, check, export and plan.

    The first run shows that the command does write; without it, one that fails for another reason would pass.
    """
    inside = FOLDERS.get((command, option), "")
    name = "folder" if inside else f"out{ending(command, option)}"
    done = lowside(*written(command, option, open_project, tmp_path / name))
    assert done.returncode == 0, done.stderr
    assert (tmp_path / name / inside).stat().st_size

    (full_disk / name / inside).parent.mkdir(exist_ok=True)
    (full_disk / name / inside).write_bytes(b"old")
    fill(full_disk)
    before = checksums(full_disk)
    done = lowside(*written(command, option, open_project, full_disk / name))
    after = checksums(full_disk)
    (full_disk / "filler").unlink()
    one_message(done)
    assert "No space left on device" in done.stderr
    assert after == before

    with tempfile.TemporaryDirectory() as closed:
        Path(closed).chmod(0o555)
        with ordinary_user():
            done = lowside(*written(command, option, open_project, Path(closed) / name))
        one_message(done)
        assert "Permission denied" in done.stderr
        assert list(Path(closed).iterdir()) == []


LONG = "x" * 6000


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["trace", LONG, "--out", "t.csv"], "File name too long"),
        (["trace", "{project}", "--out", f"{LONG}.csv"], "File name too long"),
        (["check", "{project}", "--out", f"{LONG}/f.csv"], "File name too long"),
        (["view", "{project}", "--shot", f"{LONG}.png"], "File name too long"),
        (["orient", "{project}", "--accept", f"{LONG}.csv", "--out", "o.csv"], "File name too long"),
        (["adopt", LONG], "File name too long"),
    ],
)
def test_a_path_of_6000_letters_is_one_message(arguments, message, open_project, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = lowside(*(part.format(project=open_project) for part in arguments))
    one_message(done)
    assert message in done.stderr
    assert len(done.stderr) < 1000
    assert list(tmp_path.iterdir()) == []


def run(*arguments, **more):
    """Run the command as a process of its own."""
    more.setdefault("stdout", subprocess.PIPE)
    return subprocess.run(
        [sys.executable, "-m", "viewer", *map(str, arguments)], stderr=subprocess.PIPE, text=True, check=False, **more
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("arguments", [["check", "{project}"], ["--help"], ["check", "--rules"]])
def test_a_full_standard_output_is_one_message(arguments, open_project):
    with Path("/dev/full").open("w") as full:
        done = run(*(part.format(project=open_project) for part in arguments), stdout=full)
    assert done.returncode == 2
    assert done.stderr == "lowside: the machine says: No space left on device\n"


def test_a_reader_that_goes_away_is_one_message(tmp_path):
    """As in ``lowside check PROJECT | head -1``; 20,000 rules are more than a pipe holds."""
    ends, starts = os.pipe()
    os.close(ends)
    with os.fdopen(starts, "w") as pipe:
        done = run("check", "--rules", stdout=pipe)
    assert done.returncode == 2
    assert done.stderr == "lowside: what reads the output has gone away\n"


# ------------------------------------------------------------------------------------------------- runs that were ended

WRITER = """
import signal, sys, time
from pathlib import Path

signal.signal(signal.SIGHUP, signal.SIG_DFL)  # as a terminal starts it, also where pytest's parent ignores them
signal.signal(signal.SIGINT, signal.default_int_handler)

from desurvey.outputs import replacing
from viewer import cli

def adopt(folder: Path) -> None:
    with replacing(folder / "out.csv") as partial:
        partial.write_text("half", encoding="utf-8")
        print("writing", flush=True)
        time.sleep(60)

for info in cli.app.registered_commands:
    if info.callback.__name__ == "adopt":
        info.callback = adopt
sys.argv = ["lowside", "adopt", sys.argv[1]]
cli.main()
"""


def ended(number, folder):
    """End a run in the middle of its writing, and return how it ended."""
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == "writing\n"
        process.send_signal(number)
    return process.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_a_run_that_is_ended_leaves_nothing_half_written(name, tmp_path):
    """Used to leave its half file ten times in ten. 128 and the signal's number is the shells' convention (POSIX)."""
    number = signal.Signals[name]
    (tmp_path / "out.csv").write_text("old", encoding="utf-8")
    assert ended(number, tmp_path) == 128 + number
    assert [path.name for path in tmp_path.iterdir()] == ["out.csv"]
    assert (tmp_path / "out.csv").read_text(encoding="utf-8") == "old"


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_what_a_killed_run_has_left_is_cleared_by_the_next(tmp_path):
    assert ended(signal.SIGKILL, tmp_path) == -signal.SIGKILL
    assert len(list(tmp_path.iterdir())) == 1
    with replacing(tmp_path / "other.csv") as partial:
        partial.write_text("another file's leftovers stay", encoding="utf-8")
    assert len(list(tmp_path.iterdir())) == 2
    with replacing(tmp_path / "out.csv") as partial:
        partial.write_text("new", encoding="utf-8")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other.csv", "out.csv"]


def test_two_writers_of_one_file_dont_meet(tmp_path):
    path = tmp_path / "out.csv"
    with replacing(path) as one:
        one.write_text("one", encoding="utf-8")
        with replacing(path) as other:
            assert one.exists(), "a writer that is alive keeps its file"
            other.write_text("other", encoding="utf-8")
        assert path.read_text(encoding="utf-8") == "other"
    assert path.read_text(encoding="utf-8") == "one"
    assert [found.name for found in tmp_path.iterdir()] == ["out.csv"]


def test_leftovers_of_another_machine_go_after_a_day_whatever_the_clock_does(tmp_path):
    path = tmp_path / "out.csv"
    with replacing(path) as partial:
        partial.write_text("1", encoding="utf-8")
        mark = partial.name.split("-")[0]
    left = {days: tmp_path / f"{mark}-00000000-1-{days}.tmp.csv" for days in (-400, 0, 2)}
    for days, file in left.items():
        file.write_text("half", encoding="utf-8")
        os.utime(file, (time.time() - days * 86400,) * 2)
    with replacing(path) as partial:
        partial.write_text("2", encoding="utf-8")
    assert [days for days, file in left.items() if file.exists()] == [-400, 0]


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (PermissionError(13, "denied"), "Close it where it is open"),
        (FileExistsError(17, "there"), "Delete the old one"),
    ],
)
def test_a_place_that_cant_be_taken_keeps_the_old_file(error, message, tmp_path, monkeypatch):
    """What Windows answers while a spreadsheet program holds a file, and a file system without renaming over."""
    path = tmp_path / "out.csv"
    path.write_text("old", encoding="utf-8")

    def refused(_self, _target):
        raise error

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(DataProblem, match=message), replacing(path) as partial:
        partial.write_text("new", encoding="utf-8")
    assert path.read_text(encoding="utf-8") == "old"
    assert [found.name for found in tmp_path.iterdir()] == ["out.csv"]


def test_a_device_and_a_folder_are_no_outputs(tmp_path):
    with pytest.raises(DataProblem, match="this is a folder"), replacing(tmp_path):
        pass
    if Path("/dev/null").exists():
        with pytest.raises(DataProblem, match="this is a device"), replacing(Path("/dev/null")):
            pass


# ---------------------------------------------------------------------------------------------- terminals of old kinds


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_every_help_and_a_check_can_be_shown_in_any_encoding(encoding, open_project):
    """``surface --help`` has a σ, which code page 1252 hasn't."""
    program = (
        "import sys\nfrom viewer import cli\n"
        "def run(*arguments):\n"
        "    sys.argv = ['lowside', *arguments]\n"
        "    try:\n        cli.main()\n    except SystemExit as end:\n        assert not end.code, arguments\n"
        "names = [info.callback.__name__ for info in cli.app.registered_commands] + ['archive']\n"
        "for name in names: run(name, '--help')\n"
        "run('--help'); run('check', '--rules'); run('check', PROJECT)\n"
    ).replace("PROJECT", repr(str(open_project)))
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": encoding, "COLUMNS": "120"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    shown = done.stdout.decode(encoding)
    assert "surface" in shown
    assert r"1-\u03c3" in shown
