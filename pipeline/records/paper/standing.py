"""What every report says, whatever it is about."""

from __future__ import annotations

from pipeline.language import Speech


def cautions(t: Speech, invented: bool) -> tuple[str, str]:
    """The line in capitals, and the sentences that go with it."""
    head = t("PROPOSAL FOR HUMAN REVIEW - NOT FOR GUIDANCE")
    if invented:
        head = f"{t('INVENTED DATA')} \u00b7 {head}"
    body = t(
        "For research and teaching on archived films. Not for guidance of any procedure. "
        "Licensed practice and local rules come first. A good score is no clearance to go on, and "
        "a poor one no reason by itself to expose again. Confirm side and patient by other means."
    )
    return head, body
