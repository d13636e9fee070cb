"""Short names of plans: the folder and the ending that all files share are said once at most, not in every sentence."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from rowreckon.document.audit import (
    Audit,
    Combination,
    Foretold,
    Plan,
    Rejected,
    Remedy,
    SideEffect,
    Trial,
    TrialAccount,
)
from rowreckon.report.words.commands import for_plan
from rowreckon.report.words.escape import quote

_PATH_ROOM = 60
_ENDING = ".capture.json"


def with_short_sources(audit: Audit, *, path_room: int = _PATH_ROOM) -> tuple[Audit, str]:
    """The audit with its plans named without the folder that they share, and that folder ("" where there is none).

    Commands that a plan's missing evidence asks for then name its file, as it was given; where its path is longer than
    `path_room` letters they say PLAN.
    """
    audit = audit.model_copy(update={"plans": tuple(_with_own_file(plan, path_room) for plan in audit.plans)})
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
    named = {"plans": plans, "rejected": rejected, "remedies": remedies, "trials": _account(audit.trials, short)}
    return audit.model_copy(update=named), folder


def _with_own_file(plan: Plan, room: int) -> Plan:
    """The plan with its file in the commands that get what is missing."""
    if len(plan.source) > room or not any("PLAN" in one.how for one in plan.missing):
        return plan
    lacking = (one.model_copy(update={"how": for_plan(one.how, plan.source)}) for one in plan.missing)
    return plan.model_copy(update={"missing": tuple(lacking)})


def folder_words(audit: Audit, folder: str) -> str:
    """Where the files are, for the end of a line; empty where the names say it."""
    if not folder:
        return ""
    one = len(audit.plans) + len(audit.rejected) == 1
    return f" {'The file is' if one else 'Files are'} in {quote(folder)}."


def _remedy(remedy: Remedy, short: Callable[[str], str]) -> Remedy:
    trial = _trial(remedy.trial, short) if remedy.trial is not None else None
    told = _foretold(remedy.foretold, short) if remedy.foretold is not None else None
    named = {"side_effects": _effects(remedy.side_effects, short), "trial": trial, "foretold": told}
    return remedy.model_copy(update=named)


def _account(account: TrialAccount | None, short: Callable[[str], str]) -> TrialAccount | None:
    if account is None:
        return None
    named = {"combination": _set(account.combination, short), "further": _set(account.further, short)}
    return account.model_copy(update=named)


def _set(together: Combination | None, short: Callable[[str], str]) -> Combination | None:
    if together is None:
        return None
    named = {"trial": _trial(together.trial, short), "side_effects": _effects(together.side_effects, short)}
    return together.model_copy(update=named)


def _trial(trial: Trial, short: Callable[[str], str]) -> Trial:
    queries = tuple(q.model_copy(update={"query": short(q.query)}) for q in trial.queries)
    return trial.model_copy(update={"queries": queries})


def _foretold(told: Foretold, short: Callable[[str], str]) -> Foretold:
    return told.model_copy(
        update={"queries": tuple(q.model_copy(update={"query": short(q.query)}) for q in told.queries)}
    )


def _effects(effects: tuple[SideEffect, ...], short: Callable[[str], str]) -> tuple[SideEffect, ...]:
    return tuple(e.model_copy(update={"query": short(e.query)}) for e in effects)


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
