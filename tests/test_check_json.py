"""What a database manager relies on: JSON of ``check`` with its head, keys that stay, severities, shared settings."""

from __future__ import annotations

import hashlib
import json
from importlib import metadata

import pytest

import desurvey
from desurvey import campaign
from desurvey.problems import DataProblem
from desurvey.project import adopt
from tests.command import lowside
from tests.drilling import TOML, flawless, write_tables
from tests.projects import PROJECT_TOML, TABLES, write_project


def written(tables, folder, toml=TOML):
    folder.mkdir(exist_ok=True)
    return write_tables(tables, folder, toml)


def spoilt():
    """Return tables in which a run holds more core than it is long (warning), and a tool wasn't left still (note)."""
    tables = flawless()
    tables["runs"].loc[39, "recovered"] = 3.5
    tables["runs"].loc[40, "settle_s"] = 5.0
    return tables


def test_json_has_a_head_that_others_can_check(tmp_path):
    """The hashes are those of ``hashlib`` over the files as they lie there."""
    folder = written(spoilt(), tmp_path / "p")
    piped = lowside("check", folder, "--quick", "--out", "-")
    assert piped.returncode == 0
    lowside("check", folder, "--quick", "--out", tmp_path / "f.json")
    assert piped.stdout.rstrip("\n") == (tmp_path / "f.json").read_text(encoding="utf-8")
    got = json.loads(piped.stdout)
    assert (got["program"], got["version"]) == ("lowside", metadata.version("lowside"))
    files = [path for path in folder.iterdir() if path.suffix in {".csv", ".toml"}]
    assert got["inputs"] == {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    severities = [one["severity"] for one in got["findings"]]
    assert got["counts"] == {
        "error": 0,
        "warning": severities.count("warning"),
        "note": severities.count("note"),
        "explained": 0,
    }
    assert severities.count("warning") >= 1
    assert severities.count("note") >= 1
    assert len({one["key"] for one in got["findings"]}) == len(severities)


def test_keys_stay_when_a_row_is_added_above(tmp_path):
    """Ten of fourteen findings used to be new on the next day, for their rows had moved by one."""
    before, after = spoilt(), spoilt()
    after["runs"] = after["runs"].iloc[[-1, *range(len(after["runs"]) - 1)]]
    keys = [
        {
            one["key"]: one["row"]
            for one in json.loads(lowside("check", folder, "--quick", "--out", "-").stdout)["findings"]
        }
        for folder in (written(before, tmp_path / "a"), written(after, tmp_path / "b"))
    ]
    assert keys[0].keys() == keys[1].keys()
    assert keys[0] != keys[1]


def test_a_rule_can_be_a_note_or_off(tmp_path):
    folder = write_tables(spoilt(), tmp_path)
    rules = {
        one["severity"]: one["rule"] for one in json.loads(lowside("check", folder, "--out", "-").stdout)["findings"]
    }
    told = f'[checks]\nseverity.{rules["warning"]} = "note"\nseverity.{rules["note"]} = "off"\n'
    write_tables(spoilt(), tmp_path, TOML + told)
    got = json.loads(lowside("check", folder, "--out", "-").stdout)["findings"]
    assert {one["rule"]: one["severity"] for one in got} == {rules["warning"]: "note"}
    assert lowside("check", folder, "--fail-on", "warning").returncode == 0


def test_what_cannot_be_used_stays_so_when_it_is_called_a_note(tmp_path):
    """An error that is called a note doesn't end with 1, and its row is as unusable as before."""
    surveys = TABLES["surveys"].replace("A,60,92", "A,60,east")
    folder = write_project(tmp_path, PROJECT_TOML + '[checks]\nseverity.not_a_number = "note"\n', surveys=surveys)
    done = lowside("orient", folder, "--out", tmp_path / "o.csv")
    assert done.returncode == 0, done.stderr
    assert desurvey.open(folder).logged.broken_holes.keys() == {"A"}


@pytest.mark.parametrize(
    ("line", "match"),
    [
        ('severity.not_a_numbr = "note"', "there is no such rule .*Did you mean 'not_a_number'"),
        ('severity.not_a_number = "off"', "an error can't be switched off"),
        ('severity.not_a_number = "quiet"', "must be"),
        ('severity = "note"', "must be a section"),
    ],
)
def test_severities_with_a_slip_are_refused(line, match, tmp_path):
    with pytest.raises(DataProblem, match=match):
        desurvey.open(write_project(tmp_path, f"{PROJECT_TOML}[checks]\n{line}\n"))


COMPANY = """
[core]
line = "high"
[kinds]
fault = ["FLT"]
[checks]
settle_s = 30.0
station_gap_m = 20.0
"""


def extending(tmp_path, company=COMPANY):
    toml = PROJECT_TOML.replace('[core]\nline = "low"\n', "")
    (tmp_path / "company.toml").write_text(company, encoding="utf-8")
    return write_project(tmp_path / "p", f'extends = "../company.toml"\n{toml}[checks]\nsettle_s = 5.0\n')


def test_a_project_extends_a_file_over_which_it_wins(tmp_path):
    settings = desurvey.open(extending(tmp_path)).logged.settings
    assert settings.core.line == "high"
    assert settings.kinds == {"fault": ("flt",)}
    assert dict(settings.sections["checks"]) == {"settle_s": 5.0, "station_gap_m": 20.0}


def test_the_extended_file_is_an_input(tmp_path):
    folder = extending(tmp_path)
    (tmp_path / "link.csv").symlink_to(tmp_path / "company.toml")
    done = lowside("trace", folder, "--out", tmp_path / "link.csv")
    assert done.returncode == 2
    assert "inputs are never written to" in done.stderr
    head = json.loads(lowside("check", folder, "--quick", "--out", "-").stdout)
    there = hashlib.sha256((tmp_path / "company.toml").read_bytes()).hexdigest()
    assert head["inputs"]["../company.toml"] == there


def test_a_kept_state_keeps_the_extended_file(tmp_path):
    folder = extending(tmp_path)
    kept = campaign.keep(desurvey.open(folder))
    (tmp_path / "company.toml").write_text(COMPANY.replace("high", "low"), encoding="utf-8")
    assert desurvey.open(folder).logged.settings.core.line == "low"
    assert desurvey.open(folder, at=kept.state.name).logged.settings.core.line == "high"


def test_adopt_knows_what_is_extended_and_does_not_write_it_again(tmp_path):
    folder = extending(tmp_path)
    seen = adopt(folder)
    assert {one.key: one.said for one in seen.questions}["core.line"] == "high"
    text = (folder / "project.toml").read_text(encoding="utf-8")
    assert "line" not in text
    assert "station_gap_m" not in text
    assert desurvey.open(folder).logged.settings.core.line == "high"


@pytest.mark.parametrize(
    ("company", "match"),
    [
        (None, "the file that the project extends isn't there"),
        ('extends = "x.toml"\n', "extends nothing itself"),
        ("[core\n", "company.toml, row 1.*isn't TOML"),
        ('[cor]\nline = "low"\n', "a key that means nothing"),
    ],
)
def test_a_file_that_cannot_be_extended_is_one_message(company, match, tmp_path):
    folder = extending(tmp_path, company=company or "")
    if company is None:
        (tmp_path / "company.toml").unlink()
    with pytest.raises(DataProblem, match=match):
        desurvey.open(folder)
