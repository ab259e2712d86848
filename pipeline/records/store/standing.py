"""What a reading's history comes to: its state, what counts, who may decide next.

Pure functions over entries, so that the store, its check and the tests agree on one meaning.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.knee.errors import Problem
from pipeline.records.store.model import DECISION_KINDS, OUTCOMES, ROLES, Entry

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


def stand(history: Iterable[Entry]) -> Standing:
    """The standing after `history`, oldest entry first."""
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
    if first.hidden or second.hidden or not agree(first, second):
        return Standing("adjudicate", double, decisions, None)
    return Standing(STATE_OF[first.outcome], double, decisions, first)


def agree(first: Entry, second: Entry) -> bool:
    """Whether two readers mean the same: both reject, or both keep view, side and verdict.

    Angles and landmarks never agree to the last digit; how far apart they are is a matter for
    the agreement statistics. Where two readers agree the first one's version stands.
    """
    if "reject" in (first.outcome, second.outcome):
        return first.outcome == second.outcome
    return _meaning(first.final) == _meaning(second.final)


def _meaning(final: Mapping[str, Any] | None) -> tuple[Any, Any, Any]:
    if final is None:
        return (None, None, None)
    alignment = final.get("alignment") or {}
    return (final["view"]["name"], final["side"]["name"], alignment.get("square"))


def visible(history: tuple[Entry, ...], viewer: str | None, role: str) -> tuple[Entry, ...]:
    """The history as `viewer` may see it.

    While two independent readings are wanted and not both are in, decisions of others are
    hidden; to a second reader the first one's is hidden also before a second reading was asked
    for.
    """
    standing = stand(history)
    blind = standing.blind or (role == "second" and "second" not in standing.decisions)
    if not blind:
        return history
    secret = {
        entry.sequence
        for entry in standing.decisions.values()
        if viewer is None or entry.who != viewer
    }
    # Earlier decisions of the same round say as much as the last one.
    since = max((entry.revision for entry in history if entry.kind == "reopen"), default=0)
    secret |= {
        entry.sequence
        for entry in history
        if entry.revision > since and entry.kind in OUTCOMES and entry.who != viewer
    }
    return tuple(_hide(entry) if entry.sequence in secret else entry for entry in history)


def _hide(entry: Entry) -> Entry:
    return replace(
        entry, kind="hidden", outcome="", who="", reason="", final=None, hash="", hidden=True
    )


def check_decision(
    standing: Standing,
    name: str,
    *,
    kind: str,
    outcome: str,
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
    if not reviewer.strip():
        raise Problem(name, "a decision needs a reviewer", "say who decides")
    if outcome == "reject" and not reason.strip():
        raise Problem(name, "was rejected without a reason", "say why")
    if outcome == "accept_with_changes" and final is None:
        raise Problem(name, "was changed without saying to what", "give the changed reading")
    if kind == "reopen" and standing.state == "proposed" and not standing.decisions:
        raise Problem(name, "is open already", "decide about it")
    if kind == "second" and standing.double:
        raise Problem(name, "a second reading is wanted already", "wait for it")
    if kind == "adjudicate" and standing.state != "adjudicate":
        raise Problem(
            name, "there are no two differing readings", "adjudicate where two readers differ"
        )
    if kind not in OUTCOMES:
        return
    if standing.double and len(standing.decisions) == len(ROLES):
        raise Problem(name, "both readings are in", "adjudicate, or open it again")
    other = standing.decisions.get("first" if role == "second" else "second")
    if other is not None and other.who == reviewer:
        raise Problem(
            name, f"{reviewer} gave the other reading", "let another person read it independently"
        )
