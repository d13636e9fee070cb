"""A trial's audit without literals: what was tried is known again among the remedies of the masked captures' audit.

Changes are tried with the literals that they need. What is told of them comes from an audit of masked captures, which
makes the same remedies; a remedy is the same where its masked statements are. What a trial measured is numbers; its
sentences are made of query names, figures and the server's words, which were masked where they came in.
"""

from __future__ import annotations

from rowreckon.captures.masked_words import masked_name, masked_sentence
from rowreckon.document.audit import Audit, Combination, Remedy, SideEffect, Trial, TrialAccount
from rowreckon.report.mask import mask_document
from rowreckon.report.mask_words import mask_remedy
from rowreckon.sql.masking import UNREAD


def masked_trial(tried: Audit, masked: Audit) -> Audit:
    """The audit after the trials, masked; `masked` is the audit of the same captures without their literals."""
    plain = mask_document(tried)
    known = {_statements(remedy): remedy for remedy in masked.remedies}
    remedies = tuple(
        _remedy(remedy, bare, known.get(_statements(remedy)))
        for remedy, bare in zip(tried.remedies, plain.remedies, strict=True)
    )
    account = tried.trials
    remedies = tuple(_without_strangers(remedy, masked) for remedy in remedies)
    return masked.model_copy(
        update={"remedies": remedies, "trials": None if account is None else _account(account, plain.trials)}
    )


def _without_strangers(remedy: Remedy, masked: Audit) -> Remedy:
    """The remedy without references to findings that the masked audit does not have."""
    findings = tuple(
        ref
        for ref in remedy.findings
        if ref.plan < len(masked.plans) and ref.finding < len(masked.plans[ref.plan].findings)
    )
    return remedy.model_copy(update={"findings": findings})


def _statements(remedy: Remedy) -> tuple[str, ...]:
    return (remedy.kind, *(mask_remedy(statement, frozenset()) for statement in remedy.sql))


def _remedy(tried: Remedy, bare: Remedy, known: Remedy | None) -> Remedy:
    """The remedy as the masked audit tells it, with what was measured; `bare` has no sentences, for one unknown."""
    update: dict[str, object] = {
        "rank": tried.rank,
        "expected_gain_ms": tried.expected_gain_ms,
        "side_effects": tuple(
            _effect(one, other) for one, other in zip(tried.side_effects, bare.side_effects, strict=True)
        ),
        "trial": None if tried.trial is None or bare.trial is None else _trial(tried.trial, bare.trial),
    }
    return (bare if known is None else known).model_copy(update=update)


def _effect(tried: SideEffect, bare: SideEffect) -> SideEffect:
    return bare.model_copy(update={"basis": _sentence(tried.basis)})


def _trial(tried: Trial, bare: Trial) -> Trial:
    queries = tuple(
        other.model_copy(update={"query": masked_name(one.query), "reason": _sentence(one.reason)})
        for one, other in zip(tried.queries, bare.queries, strict=True)
    )
    return bare.model_copy(update={"reason": _sentence(tried.reason), "queries": queries})


def _account(tried: TrialAccount, bare: TrialAccount | None) -> TrialAccount | None:
    if bare is None:
        return None
    not_tried = tuple(
        other.model_copy(update={"reason": _sentence(one.reason)})
        for one, other in zip(tried.not_tried, bare.not_tried, strict=True)
    )
    return bare.model_copy(
        update={
            "combination": _set(tried.combination, bare.combination),
            "further": _set(tried.further, bare.further),
            "not_tried": not_tried,
            "left_behind": tried.left_behind,
            "notes": tuple(masked_sentence(note) for note in tried.notes),
        }
    )


def _set(tried: Combination | None, bare: Combination | None) -> Combination | None:
    if tried is None or bare is None:
        return bare
    return bare.model_copy(update={"trial": _trial(tried.trial, bare.trial)})


def _sentence(text: str | None) -> str | None:
    return None if text is None else masked_sentence(text) or UNREAD
