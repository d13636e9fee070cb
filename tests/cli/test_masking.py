"""`--mask` and `--mask-names` through the command line: nothing planted is found in any output, and names come back."""

from __future__ import annotations

import re
import stat
from pathlib import Path

import pytest

from rowreckon.document.audit import Audit
from tests.cli.running import rowreckon

CAPTURES = Path(__file__).parents[1] / "report" / "captures"
REPORTS = ("r.html", "r.md", "r.json", "r.xml")
FORMATS = ("terminal", "markdown", "json")

# Planted into the plan and query of a real capture in place of its own literal and names.
LITERALS = ("Zirbelheim-3", "O''Grady", "1877-05-23", "98765.4321")
NAMES = {"trail_reports": "qz_paths", "guests": "qz_people", "home_city": "qz_dwelling", "guest_id": "qz_person"}


@pytest.fixture
def planted(tmp_path: Path) -> Path:
    """A capture with canaries for literals and names, in the query and in the conditions."""
    text = (CAPTURES / "stale-statistics.capture.json").read_text("utf-8")
    for name, canary in NAMES.items():
        text = re.sub(rf"(?<![A-Za-z]){name}(?![a-z])", canary, text)
    text = text.replace("2026-06-15", LITERALS[2])
    condition = f" AND (remark <> '{LITERALS[0]}'::text) AND (author <> '{LITERALS[1]}'::text) AND (km < {LITERALS[3]})"
    assert '::date)"' in text
    text = text.replace('::date)"', f'::date){condition}"')
    path = tmp_path / "planted.capture.json"
    path.write_text(text, "utf-8")
    return path


def _outputs(path: Path, folder: Path, *options: str) -> dict[str, str]:
    """Every format that the command writes, and what it says on standard error."""
    folder.mkdir(exist_ok=True)
    reports = [part for name in REPORTS for part in ("--report", str(folder / name))]
    found: dict[str, str] = {}
    for form in FORMATS:
        done = rowreckon("audit", str(path), "--format", form, "--verbose", *options, *reports, COLUMNS="500")
        assert done.returncode == 0, done.stderr
        found[form] = done.stdout
        found[f"{form} errors"] = done.stderr
    return found | {name: (folder / name).read_text("utf-8") for name in REPORTS}


def _seen(text: str, value: str) -> bool:
    return value in text or value.replace("''", "'") in text or value.replace("''", "&#39;") in text


def test_the_canaries_are_there_before(planted: Path, tmp_path: Path) -> None:
    """The check can fail: unmasked, every canary stands in some output."""
    text = "".join(_outputs(planted, tmp_path / "out").values())

    assert [value for value in (*LITERALS[2:3], *NAMES.values()) if not _seen(text, value)] == []


def test_no_name_is_found_in_any_output(planted: Path, tmp_path: Path) -> None:
    """With --mask-names, literals and names alike."""
    key = tmp_path / "names.key"
    for form, text in _outputs(planted, tmp_path / "out", "--mask-names", str(key)).items():
        assert [value for value in (*LITERALS, *NAMES.values()) if _seen(text, value)] == [], form


def test_the_verdict_is_that_of_the_unmasked_plan() -> None:
    """Rows, costs, verdicts, borders and times are what the unmasked audit says."""
    plain = Audit.model_validate_json(rowreckon("audit", str(CAPTURES), "--format", "json").stdout)
    masked = Audit.model_validate_json(rowreckon("audit", str(CAPTURES), "--mask", "--format", "json").stdout)

    assert masked.summary == plain.summary
    for before, after in zip(plain.plans, masked.plans, strict=True):
        assert [n.actual_rows for n in after.nodes] == [n.actual_rows for n in before.nodes]
        for one, two in zip(before.joins, after.joins, strict=True):
            assert (two.verdict, two.costs, two.switch_points, two.curve) == (
                one.verdict,
                one.costs,
                one.switch_points,
                one.curve,
            )


def test_pseudonyms_are_stable_and_come_back(planted: Path, tmp_path: Path) -> None:
    """The same key file gives the same bytes again; unmask puts the names back; the file is for its owner only."""
    key = tmp_path / "names.key"
    first = rowreckon("audit", str(planted), "--mask-names", str(key), "--format", "json").stdout
    second = rowreckon("audit", str(planted), "--mask-names", str(key), "--format", "json").stdout
    report = tmp_path / "masked.json"
    report.write_text(first, "utf-8")
    back = rowreckon("unmask", str(key), str(report))
    piped = rowreckon("unmask", str(key), stdin=first)

    assert first == second
    assert back.returncode == 0
    assert back.stdout == piped.stdout
    assert all(canary in back.stdout for canary in NAMES.values())
    assert not re.search(r"n_[0-9a-f]{10}", back.stdout)
    assert not any(_seen(back.stdout, value) for value in LITERALS)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_two_masked_audits_can_be_compared(planted: Path, tmp_path: Path) -> None:
    """By their pseudonyms, under one key."""
    key = str(tmp_path / "names.key")
    for name in ("before.json", "after.json"):
        rowreckon("audit", str(planted), "--mask-names", key, "--report", str(tmp_path / name))
    done = rowreckon("compare", str(tmp_path / "before.json"), str(tmp_path / "after.json"))

    assert done.returncode == 0
    assert "No difference beyond noise." in done.stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [("not JSON", "no key file"), ("{}", "no key file"), ('{"schema": "rowreckon.mask-key/1", "key": 7}', "damaged")],
)
def test_a_file_that_is_no_key_is_refused_and_left_alone(
    planted: Path, tmp_path: Path, content: str, said: str
) -> None:
    """One sentence, status 2, nothing overwritten."""
    key = tmp_path / "names.key"
    key.write_text(content)
    done = rowreckon("audit", str(planted), "--mask-names", str(key))

    assert done.returncode == 2
    assert said in done.stderr
    assert done.stdout == ""
    assert key.read_text() == content


def test_names_and_captures_exclude_each_other(planted: Path, tmp_path: Path) -> None:
    """A capture file needs its names."""
    done = rowreckon("audit", str(planted), "--mask-names", str(tmp_path / "k"), "--save", str(tmp_path / "captures"))

    assert done.returncode == 2
    assert "--save" in done.stderr
    assert not (tmp_path / "k").exists()


def test_an_option_is_no_key_file(planted: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the file was forgotten, the option behind it is not taken for one: nothing is written."""
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    done = rowreckon("audit", str(planted), "--mask-names", "--report", "r.html")
    assert done.returncode == 2
    assert "--mask-names needs a file for its key, not the option --report" in " ".join(done.stderr.split())
    assert sorted(tmp_path.iterdir()) == before
