"""What a reading's history comes to: its state, what counts, who may decide next.

Pure functions over entries, so that the store, its check and the tests agree on one meaning.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.knee.errors import Problem
from pipeline.records.store.chain import dump
from pipeline.records.store.gain import columns
from pipeline.records.store.model import (
    DECISION_KINDS,
    OUTCOMES,
    ROLES,
    Entry,
    StoredReading,
)

STATE_OF = {"accept": "accepted", "accept_with_changes": "changed", "reject": "rejected"}
UNDECIDED = ("proposed", "double", "adjudicate")


@dataclass(frozen=True)
class Standing:
    """Where a reading stands.

    Attributes:
        state: one of `STATES`.
        double: whether two independent readings are wanted.
        decisions: role to that reader's last decision since the reading was last opened again.
        counts: the decision that made the state, None where there is none.
    """

    state: str = "proposed"
    double: bool = False
    decisions: Mapping[str, Entry] = field(default_factory=dict)
    counts: Entry | None = None

    @property
    def blind(self) -> bool:
        """Whether readers must not see each other's decision."""
        return self.double and len(self.decisions) < len(ROLES)


def stand(history: Sequence[Entry]) -> Standing:
    """The standing after `history`, oldest entry first."""
    original = history[0].final
    assert original is not None
    double, adjudicated = False, None
    decisions: dict[str, Entry] = {}
    for entry in history:
        if entry.kind == "reopen":
            double, decisions, adjudicated = False, {}, None
        elif entry.kind == "second":
            double = True
        elif entry.kind == "adjudicate":
            adjudicated = entry
        elif entry.kind in OUTCOMES:
            decisions[entry.role] = entry
            double = double or entry.role == "second"
    first, second = decisions.get("first"), decisions.get("second")
    if adjudicated is not None:
        return Standing(STATE_OF[adjudicated.outcome], double, decisions, adjudicated)
    if not double:
        state = STATE_OF[first.outcome] if first else "proposed"
        return Standing(state, double, decisions, first)
    if first is None or second is None:
        return Standing("double", double, decisions, None)
    if not agree(first, second, original):
        return Standing("adjudicate", double, decisions, None)
    return Standing(STATE_OF[first.outcome], double, decisions, first)


def agree(first: Entry, second: Entry, original: Mapping[str, Any]) -> bool:
    """Whether two readers mean the same: both reject, or both keep view, side and verdict.

    Angles and landmarks never agree to the last digit; how far apart they are is a matter for
    the agreement statistics. Where two readers agree the first one's version stands.
    """
    if "reject" in (first.outcome, second.outcome):
        return first.outcome == second.outcome
    return _meaning(first.final or original) == _meaning(second.final or original)


def _meaning(final: Mapping[str, Any]) -> tuple[Any, Any, Any]:
    alignment = final.get("alignment") or {}
    return (final["view"]["name"], final["side"]["name"], alignment.get("square"))


def visible(
    history: tuple[Entry, ...], viewer: str | None, role: str = "first"
) -> tuple[Entry, ...]:
    """The history as `viewer` may see it.

    While two independent readings are wanted and not both are in, decisions of others are
    hidden, those of earlier rounds too; to a second reader the first one's is hidden also
    before a second reading was asked for.
    """
    standing = stand(history)
    if not standing.blind and (role == "first" or "second" in standing.decisions):
        return history
    return tuple(
        _hide(entry) if entry.outcome and entry.who != viewer else entry for entry in history
    )


def _hide(entry: Entry) -> Entry:
    return replace(
        entry,
        kind="hidden",
        outcome="",
        role="",
        who="",
        reason="",
        final=None,
        hash="",
        hidden=True,
    )


def check_decision(
    standing: Standing,
    name: str,
    kind: str,
    outcome: str | None,
    reviewer: str,
    final: Mapping[str, Any] | None,
    reason: str,
    role: str,
) -> None:
    """Raises `Problem` where that decision cannot be taken by that reviewer now."""
    if kind not in DECISION_KINDS:
        raise Problem(name, f"{kind} is no decision", f"choose among {', '.join(DECISION_KINDS)}")
    if role not in ROLES:
        raise Problem(name, f"{role} is no reader", f"choose among {', '.join(ROLES)}")
    if outcome is not None and outcome not in OUTCOMES:
        raise Problem(name, f"{outcome} is no outcome", f"choose among {', '.join(OUTCOMES)}")
    if not reviewer:
        raise Problem(name, "a decision needs a reviewer", "say who decides")
    if "reject" in (kind, outcome) and not reason.strip():
        raise Problem(name, "was rejected without a reason", "say why")
    if "accept_with_changes" in (kind, outcome) and final is None:
        raise Problem(name, "was changed without saying to what", "give the changed reading")
    if kind == "reopen" and standing.state == "proposed":
        raise Problem(name, "is open already", "decide about it")
    if kind == "second" and standing.double:
        raise Problem(name, "a second reading is wanted already", "wait for it")
    if kind == "adjudicate" and standing.state != "adjudicate":
        raise Problem(
            name, "there are no two differing readings", "adjudicate where two readers differ"
        )
    if kind not in OUTCOMES:
        return
    if standing.double and not standing.blind:
        raise Problem(name, "both readings are in", "adjudicate, or open it again")
    other = standing.decisions.get("first" if role == "second" else "second")
    if other is not None and other.who == reviewer:
        raise Problem(
            name, f"{reviewer} gave the other reading", "let another person read it independently"
        )
    same = standing.decisions.get(role)
    if standing.double and same is not None and same.who != reviewer:
        raise Problem(name, f"the {role} reading was given already", "give the other one")


def settle(
    shown: StoredReading, kind: str, outcome: str | None, final: Mapping[str, Any] | None
) -> tuple[str, dict[str, Any] | None]:
    """(outcome, final) to be written for a decision about what the reviewer was shown.

    The outcome says what is true: a version that differs from the original is "changed", one
    that does not is "accepted". Raises `Problem` where `final` is no reading.
    """
    if kind in ("reopen", "second"):
        return "", None
    outcome = kind if kind in OUTCOMES else outcome
    if final is None and kind == "accept" and shown.state != "rejected":
        final = shown.current
    kept = None if final is None else _checked(final, shown)
    if outcome != "reject":
        outcome = "accept" if kept is None else "accept_with_changes"
    return outcome, kept


def _checked(final: Mapping[str, Any], shown: StoredReading) -> dict[str, Any] | None:
    """`final` as it is kept; None where it says what the original says."""
    name, original = f"reading {shown.id}", shown.original
    if set(final) != set(original):
        odd = ", ".join(sorted(set(final) ^ set(original)))
        raise Problem(name, f"the changed reading has missing or unknown parts ({odd})", "send all")
    # Whose film it is does not change, whatever is sent; UIDs stay out.
    kept = {**final, "film": original["film"]}
    try:
        kept = json.loads(dump(kept))
        columns(kept)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise Problem(
            name, f"the changed reading cannot be understood ({error})", "send it again"
        ) from error
    same = all(kept[part] == original[part] for part in original if part != "made_by")
    return None if same else kept
