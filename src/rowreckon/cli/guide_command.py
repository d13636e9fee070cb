"""`rowreckon guide`: the user's guide, a topic at a time."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("guide", help="Print a topic of the user's guide; without a topic list them all.")(guide_command)


def guide_command(
    topic: Annotated[str | None, typer.Argument(help="The topic, such as plans, lists or trials.")] = None,
) -> None:
    """Print one page of the guide, or the list of its topics."""
    from importlib.resources import files

    from rowreckon.errors import UsageError

    pages = {page.name.removesuffix(".md"): page for page in files("rowreckon.guide").iterdir() if _is_page(page.name)}
    if topic is None:
        width = max(map(len, pages))
        for name, page in sorted(pages.items()):
            typer.echo(f"{name:<{width}}  {page.read_text('utf-8').splitlines()[0].lstrip('# ')}")
        return
    if topic not in pages:
        raise UsageError(
            f"the guide has no topic {topic!r}", where="TOPIC", hint=f"its topics are {', '.join(sorted(pages))}"
        )
    typer.echo(pages[topic].read_text("utf-8").strip())


def _is_page(name: str) -> bool:
    return name.endswith(".md")
