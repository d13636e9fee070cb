"""`rowreckon schema`: the JSON Schema of the audit document."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("schema", help="Print the JSON Schema of the machine-readable audit.")(schema_command)


def schema_command() -> None:
    """Print the JSON Schema of the machine-readable audit."""
    import json

    from rowreckon.report.document import audit_json_schema

    typer.echo(json.dumps(audit_json_schema(), indent=2))
