"""`--mask` and `--mask-names`: what every command that prints an audit shares, and the key file behind pseudonyms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rowreckon.errors import UnreadableFile, UsageError
from rowreckon.frozen import frozen
from rowreckon.server.connecting.words import mask_messages

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Audit, Rejected
    from rowreckon.report.mask import Masked

PANEL = "Masking"
MaskOption = Annotated[
    bool, typer.Option("--mask", help="Leave literals and sampled values out of all output.", rich_help_panel=PANEL)
]
MaskNamesOption = Annotated[
    Path | None,
    typer.Option(
        "--mask-names",
        metavar="KEYFILE",
        help="Pseudonyms for tables and columns too; the key file is made if needed, and undoes them (unmask).",
        rich_help_panel=PANEL,
    ),
]

_SCHEMA = "rowreckon.mask-key/1"
_KEY_BYTES = 32


@frozen
class KeyFile:
    """A random key, which makes the same pseudonyms for the same names again, and the names given so far."""

    path: Path
    key: bytes
    names: dict[str, str] = field(default_factory=dict)

    def with_names(self, more: dict[str, str]) -> KeyFile:
        """The file with more pseudonyms."""
        return KeyFile(self.path, self.key, dict(sorted({**self.names, **more}.items())))

    def write(self) -> None:
        """Write the file, readable by its owner only. Raises UsageError where that fails."""
        import json

        from rowreckon.files import write_whole
        from rowreckon.json_text import escaped

        document = {"schema": _SCHEMA, "key": self.key.hex(), "names": self.names}
        write_whole(self.path, escaped(json.dumps(document, indent=2, ensure_ascii=False)) + "\n", private=True)


def read_key_file(path: Path) -> KeyFile:
    """A key file that is there. Raises UnreadableFile or UsageError for what is none."""
    import json

    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableFile(f"the key file cannot be read: {error.strerror}", where=str(path)) from None
    except ValueError:
        document = None
    if not isinstance(document, dict) or document.get("schema") != _SCHEMA:
        raise UsageError(
            "this is no key file of rowreckon",
            where=str(path),
            hint="name one that --mask-names has made, or a new one",
        )
    try:
        key = bytes.fromhex(document["key"])
        names = {str(pseudonym): str(name) for pseudonym, name in document["names"].items()}
    except (KeyError, TypeError, ValueError, AttributeError):
        raise UsageError("the key file is damaged", where=str(path), hint="restore it, or name a new one") from None
    return KeyFile(path, key, names)


@frozen
class Masking:
    """What is to be left out of every output of one run: literals always, names where there is a key file."""

    key_file: KeyFile | None

    def inputs(self, inputs: Iterable[Capture | Rejected]) -> list[Capture | Rejected]:
        """What is to be audited in place of these inputs: without literals, so that nothing made of it holds any."""
        from rowreckon.capture import Capture

        return [
            self.capture(item)
            if isinstance(item, Capture)
            else item.model_copy(update={"reason": self.sentence(item.reason)})
            for item in inputs
        ]

    def capture(self, capture: Capture) -> Capture:
        """The capture without literals."""
        from rowreckon.captures.masking import mask_capture

        return mask_capture(capture)

    def sentence(self, text: str) -> str:
        """A sentence about the inputs without values, nor what a server said of them."""
        from rowreckon.captures.masked_words import masked_sentence

        return masked_sentence(text)

    def apply(self, result: Audit) -> Masked:
        """The audit of masked inputs, with pseudonyms where they are wanted; new ones are written to the key file."""
        from rowreckon.report.mask import Masked, mask_names

        if self.key_file is None:
            return Masked(result)
        masked = mask_names(result, self.key_file.key)
        self.key_file.with_names(masked.undo).write()
        return masked

    def trial(self, result: Audit, inputs: Iterable[Capture | Rejected], threshold: float) -> Audit:
        """An audit of these inputs after trials, which were made with all literals, masked."""
        from rowreckon.auditing import audit
        from rowreckon.report.mask_trial import masked_trial

        masked = audit(self.inputs(inputs), threshold=threshold)
        return self.apply(masked_trial(result, masked)).audit

    def statement(self, text: str) -> str:
        """A remedy's statement without literals."""
        from rowreckon.report.mask_words import mask_remedy

        return mask_remedy(text, frozenset())

    def document(self, result: Audit) -> Audit:
        """An audit of unmasked inputs, as a file holds it, masked after all: its sentences are left out."""
        from rowreckon.report.mask import mask_document

        return self.apply(mask_document(result)).audit


def masking_of(mask: bool, key_file: Path | None, save: Path | None = None) -> Masking | None:
    """What the two options ask for, None where nothing is to be masked. Makes a new key file at once, so that a path
    that can't be written is found before any work. Raises UsageError or UnreadableFile.

    Names can't be taken out of capture files, which `save` asks for: an audit of them would know no table any more.
    """
    mask_messages(mask or key_file is not None)
    if key_file is None:
        return Masking(None) if mask else None
    if save is not None:
        raise UsageError("--mask-names leaves no name, and captures need them", hint="leave out --save, or use --mask")
    if str(key_file).startswith("-"):
        # else the key would go into a file of that name, and the option that was meant would be lost
        raise UsageError(
            f"--mask-names needs a file for its key, not the option {key_file}",
            hint="name one before it, such as names.key",
        )
    from rowreckon.files import try_file

    if key_file.exists():
        return Masking(read_key_file(key_file))
    try_file(key_file, "--mask-names")
    made = KeyFile(key_file, _random_key())
    made.write()
    return Masking(made)


def _random_key() -> bytes:
    import secrets  # here, since it loads a cryptographic library that an unmasked audit has no use for

    return secrets.token_bytes(_KEY_BYTES)
