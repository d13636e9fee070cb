"""Short names of plans: the folder and the ending that all files share are said once at most, not in every sentence."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from rowreckon.document.audit import Audit, Plan, Rejected, Remedy
from rowreckon.report.words.escape import quote

_ENDING = ".capture.json"


def with_short_sources(audit: Audit) -> tuple[Audit, str]:
    """The audit with its plans named without the folder that they share, and that folder ("" where there is none)."""
    sources = [*(p.source for p in audit.plans), *(r.source for r in audit.rejected)]
    folder = _shared_folder(sources)
    end = _ENDING if sources and all(source.endswith(_ENDING) for source in sources) else ""
    if not folder and not end:
        return audit, ""
    start = f"{folder}/".replace("//", "/") if folder else ""

    def short(name: str) -> str:
        return name.removeprefix(start).removesuffix(end)

    plans: tuple[Plan, ...] = tuple(p.model_copy(update={"source": short(p.source)}) for p in audit.plans)
    rejected: tuple[Rejected, ...] = tuple(r.model_copy(update={"source": short(r.source)}) for r in audit.rejected)
    remedies = tuple(_remedy(remedy, short) for remedy in audit.remedies)
    return audit.model_copy(update={"plans": plans, "rejected": rejected, "remedies": remedies}), folder


def folder_words(audit: Audit, folder: str) -> str:
    """Where the files are, for the end of a line; empty where the names say it."""
    if not folder:
        return ""
    one = len(audit.plans) + len(audit.rejected) == 1
    return f" {'The file is' if one else 'Files are'} in {quote(folder)}."


def _remedy(remedy: Remedy, short: Callable[[str], str]) -> Remedy:
    effects = tuple(e.model_copy(update={"query": short(e.query)}) for e in remedy.side_effects)
    trial = remedy.trial
    if trial is not None:
        queries = tuple(q.model_copy(update={"query": short(q.query)}) for q in trial.queries)
        trial = trial.model_copy(update={"queries": queries})
    return remedy.model_copy(update={"side_effects": effects, "trial": trial})


def _shared_folder(sources: Iterable[str]) -> str:
    shared: list[str] | None = None
    for source in sources:
        parts = source.split("/")[:-1]
        if shared is None:
            shared = parts
        else:
            same = 0
            while same < min(len(shared), len(parts)) and shared[same] == parts[same]:
                same += 1
            shared = shared[:same]
        if not shared:
            return ""
    return "/".join(shared or ()) or ("/" if shared else "")
