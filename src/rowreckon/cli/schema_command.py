"""`rowreckon schema`: the JSON Schema of the machine-readable documents."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer


class Document(StrEnum):
    """Documents that have a schema."""

    audit = "audit"
    comparison = "comparison"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("schema", help="Print the JSON Schema of the machine-readable audit.")(schema_command)


def schema_command(
    document: Annotated[
        Document, typer.Argument(help="What `audit` or what `compare` prints as JSON.")
    ] = Document.audit,
) -> None:
    """Print the JSON Schema of a machine-readable document."""
    import json

    if document is Document.comparison:
        from rowreckon.report.comparing.compare_document import comparison_json_schema

        typer.echo(json.dumps(comparison_json_schema(), indent=2))
        return
    from rowreckon.document.audit import audit_json_schema

    typer.echo(json.dumps(audit_json_schema(), indent=2))
