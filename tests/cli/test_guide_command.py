"""`rowreckon guide`: the user's guide inside the package, which README links to."""

from __future__ import annotations

import re
from pathlib import Path

from tests.cli.running import rowreckon

ROOT = Path(__file__).parents[2]


def test_every_topic_is_listed_printed_and_linked() -> None:
    """A topic a line; README's table links to each page, and to no other."""
    topics = [line.split()[0] for line in rowreckon("guide").stdout.splitlines()]
    linked = re.findall(r"\(src/rowreckon/guide/(\w+)\.md\)", (ROOT / "README.md").read_text("utf-8"))

    assert len(topics) >= 8
    assert sorted(linked) == topics
    for topic in topics:
        page = (ROOT / "src/rowreckon/guide" / f"{topic}.md").read_text("utf-8")
        assert rowreckon("guide", topic).stdout.strip() == page.strip()


def test_an_unknown_topic_is_said() -> None:
    """One sentence that names those there are."""
    result = rowreckon("guide", "weather")

    assert result.returncode == 2
    assert "its topics are" in result.stderr


def test_readme_stays_short() -> None:
    """What takes more than this to tell belongs into the guide."""
    assert len((ROOT / "README.md").read_text("utf-8").splitlines()) < 200


def test_options_that_the_guide_names_exist() -> None:
    """Every option in the guide and in README is one that some command's help lists."""
    commands = ("audit", "check", "sweep", "trial", "compare", "unmask", "ask", "demo")
    helps = "".join(rowreckon(*c, "--help", COLUMNS="200").stdout for c in ((), *((c,) for c in commands)))
    known = set(re.findall(r"--[a-z][a-z-]+", helps))
    pages = [*(ROOT / "src/rowreckon/guide").glob("*.md"), ROOT / "README.md"]
    named = {o for page in pages for o in re.findall(r"(?<![\w-])--[a-z][a-z-]+", page.read_text("utf-8"))}

    assert named
    # options of pytest and Docker, in the lines that set up, and of pg_dump
    assert named - known - {"--dist", "--rm", "--build", "--no-data", "--statistics"} == set()
