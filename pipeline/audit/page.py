"""The audit of one study as a report."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.audit import words
from pipeline.audit.drawing import Draughtsman, Drawn, film_picture, turned_picture
from pipeline.audit.model import Hunt, Study
from pipeline.audit.series import chart, notes, steps
from pipeline.fit.turning import FittedKnee
from pipeline.knee.errors import Problem
from pipeline.language import Speech
from pipeline.language.phrases import told
from pipeline.records.paper.model import (
    Block,
    Columns,
    Heading,
    Items,
    Paper,
    Picture,
    Table,
    Text,
)

PICTURE_PX = 520
SMALL_PX = 300
MOST_SHOWN = 12
"""Films of a view shown as small pictures; of more, these first and the first square one."""
ACROSS = 4


@dataclass(frozen=True)
class Press:
    """What is needed to print an audit.

    Attributes:
        t: the language.
        draw: opens films and fits knees.
        made_by: program, weights and settings, for the foot of the page.
    """

    t: Speech
    draw: Draughtsman
    made_by: str

    # ---- one study -----------------------------------------------------------------------------

    def study(self, study: Study) -> Paper:
        """The report of one study. Films are opened here, one after the other."""
        t = self.t
        blocks: list[Block] = []
        for hunt in study.hunts:
            blocks.append(Text(words.story(t, hunt), "lead"))
        if not study.hunts:
            blocks.append(Text(t("No film of this study shows a view that is read."), "lead"))
        blocks.append(
            Text(
                t(
                    "This page looks back at films that exist. It suggests no further exposure, "
                    "and a film that a view no longer needed may have been taken for another "
                    "reason."
                )
            )
        )
        for hunt in study.hunts:
            blocks += self._hunt(hunt)
        blocks += [Heading(t("All pictures of the study")), self._films(study)]
        blocks.append(Items(notes(t, study)))
        return Paper(
            title=t("Audit of a study"),
            subtitle=self._subtitle(study),
            blocks=tuple(blocks),
            language=t.code,
            made_by=self.made_by,
            invented=study.invented,
        )

    def _subtitle(self, study: Study) -> str:
        t = self.t
        parts = [t("study {key}", key=study.key), study.day or t("day not stated")]
        parts.append(t("operator {code}", code=words.code(t, study.operator)))
        parts.append(words.pictures(t, study))
        return " \u00b7 ".join(parts)

    def _hunt(self, hunt: Hunt) -> list[Block]:
        t = self.t
        drawn = {0: self.draw.open(hunt.films[0])}
        blocks: list[Block] = [
            Heading(words.view_and_side(t, hunt.view, hunt.side)),
            Heading(t("What the first film already showed"), 3),
            *self._advice(hunt, drawn),
        ]
        if len(hunt.films) > 1:
            blocks += [
                Heading(t("Film after film"), 3),
                chart(t, hunt, self.draw.tolerance_deg),
                *self._strip(hunt, drawn),
                steps(t, hunt),
            ]
        return blocks

    def _advice(self, hunt: Hunt, drawn: dict[int, Drawn]) -> list[Block]:
        t, advice = self.t, hunt.advice
        blocks: list[Block] = []
        if advice.texts:
            blocks.append(Items(tuple(told(t, text) for text in advice.texts)))
        if advice.why_not:
            reason = t("Nothing is counted as saved: {why}.", why=t(advice.why_not))
            blocks.append(Text(reason))
        elif advice.saved is not None and advice.saved_dose is not None:
            blocks.append(Text(self._saved(hunt)))
        knee = self._turned(hunt, drawn[0])
        pictures = self._side_by_side(hunt, drawn, knee)
        if pictures:
            blocks.append(Columns(tuple((each,) for each in pictures)))
        if knee is not None and drawn[0].knee is not None:
            blocks.append(self._separations(drawn[0], drawn[0].knee, knee))
        return blocks

    def _saved(self, hunt: Hunt) -> str:
        t, advice = self.t, hunt.advice
        assert advice.saved is not None
        assert advice.saved_dose is not None
        said = t(
            "Carried out to a degree or so, this would have led to a square film with a "
            "probability of {share}: two films where {films} were taken.",
            share=words.share(t, advice.square_probability),
            films=hunt.exposures,
        )
        if advice.saved:
            said += " " + t.plural(
                "{n} film between them would not have been needed (dose: {dose}).",
                "{n} films between them would not have been needed (dose: {dose}).",
                advice.saved,
                dose=words.dose(t, advice.saved_dose),
            )
        said += " " + (
            t("The later films bear it out: what made the view square was this change.")
            if advice.borne_out
            else t(
                "The later films do not bear it out to the degree: the view became square by "
                "another amount, which within the tolerance it may."
            )
        )
        return said

    def _turned(self, hunt: Hunt, first: Drawn) -> FittedKnee | None:
        """The first film's knee at the pose to which its advice would have led."""
        if first.knee is None or hunt.advice.pose is None:
            return None
        try:
            return first.knee.turned(*hunt.advice.pose)
        except Problem:
            return None

    def _side_by_side(
        self, hunt: Hunt, drawn: dict[int, Drawn], knee: FittedKnee | None
    ) -> list[Picture]:
        t, first = self.t, drawn[0]
        if first.blank and first.knee is None:
            return []
        shown = [
            Picture(
                film_picture(first, PICTURE_PX),
                t("Film {number} with the knee fitted to it", number=hunt.numbers[0]),
                t("Film {number}, the first, and the knee fitted to it.", number=hunt.numbers[0])
                + self._key(hunt),
            )
        ]
        if knee is not None:
            shown.append(
                Picture(
                    turned_picture(first, knee, PICTURE_PX),
                    t("The fitted knee turned as the first film's advice says"),
                    t(
                        "A drawing, no film: the same knee turned by the advice (broken lines) "
                        "over the first film."
                    ),
                )
            )
        end = hunt.first_square
        if end:
            drawn[end] = self.draw.open(hunt.films[end])
            number = hunt.numbers[end]
            shown.append(
                Picture(
                    film_picture(drawn[end], PICTURE_PX),
                    t("Film {number} with the knee fitted to it", number=number),
                    t("Film {number}, the first that is square.", number=number),
                )
            )
        return shown

    def _key(self, hunt: Hunt) -> str:
        if hunt.view != "lateral":
            return ""
        return " " + self.t("White, unbroken: medial condyle. Orange, broken: lateral condyle.")

    def _separations(self, first: Drawn, before: FittedKnee, after: FittedKnee) -> Table:
        t = self.t
        now = {row.name: row for row in self.draw.separations(first, before)}
        then = {row.name: row for row in self.draw.separations(first, after)}
        rows = [
            (
                t(words.SEPARATIONS[name]),
                t.number(now[name].value or 0.0, 1, signed=True),
                t.number(then[name].value or 0.0, 1, signed=True),
                t(words.UNITS.get(now[name].unit, now[name].unit)),
            )
            for name in now
            if name in then
        ]
        return Table(
            columns=(t("on the fitted knee"), t("as it was"), t("after the advice"), t("unit")),
            rows=tuple(rows),
            caption=t("What the advice would have changed, measured on the drawing."),
            numbers=(1, 2),
        )

    def _strip(self, hunt: Hunt, drawn: dict[int, Drawn]) -> list[Block]:
        """Small pictures of the films in order."""
        t = self.t
        chosen = list(range(len(hunt.films)))
        if len(chosen) > MOST_SHOWN:
            keep = set(range(MOST_SHOWN - 1)) | {hunt.first_square or MOST_SHOWN - 1}
            chosen = sorted(keep)
        small: list[Picture] = []
        for i in chosen:
            film = hunt.films[i]
            opened = drawn.get(i) or self.draw.open(film)
            if opened.blank:
                continue
            verdict = t(words.VERDICTS[film.square])
            caption = t("Film {number}: {verdict}", number=hunt.numbers[i], verdict=verdict)
            small.append(Picture(film_picture(opened, SMALL_PX), caption, caption))
        rows = [small[i : i + ACROSS] for i in range(0, len(small), ACROSS)]
        blocks: list[Block] = [
            # Rows that are not full keep the size of the others' pictures.
            Columns(tuple((each,) for each in row) + ((Text("", "quiet"),),) * (ACROSS - len(row)))
            for row in rows
        ]
        gone = len(chosen) - len(small)
        if gone:
            said = t.plural(
                "{n} film is not where it was read, so it is not shown.",
                "{n} films are not where they were read, so they are not shown.",
                gone,
            )
            blocks.append(Text(said, "quiet"))
        if len(chosen) < len(hunt.films):
            said = t(
                "{shown} of {films} films are shown; the table has them all.",
                shown=len(chosen),
                films=len(hunt.films),
            )
            blocks.append(Text(said, "quiet"))
        return blocks

    def _films(self, study: Study) -> Table:
        t = self.t
        rows = []
        for film, number in zip(study.films, study.numbers, strict=True):
            angles = film.alignment or {}
            shot = film.shot
            dose = t("not stated")
            if shot.dose_area_gy_cm2 is not None:
                dose = t.number(shot.dose_area_gy_cm2, 3)
            elif shot.run_dose_area_gy_cm2 is not None:
                whole = t.number(shot.run_dose_area_gy_cm2, 3)
                dose = t("{whole} for the whole run", whole=whole)
            rows.append(
                (
                    str(number),
                    words.clock(t, shot.acquired),
                    words.view_and_side(t, film.view, film.side),
                    words.angle(t, angles.get("rotation_deg"), angles.get("rotation_90")),
                    words.angle(t, angles.get("tilt_deg"), angles.get("tilt_90")),
                    t(words.SQUARE[film.square]) if film.alignment else "\u2013",
                    dose,
                    film.name
                    if film.row["film"]["frame"] is None
                    else f"{film.name} " + t("frame {n}", n=film.row["film"]["frame"]),
                )
            )
        return Table(
            columns=(
                t("film"),
                t("time"),
                t("view"),
                t("rotation, deg"),
                t("tilt, deg"),
                t("square"),
                t("dose, Gy\u00b7cm\u00b2"),
                t("file"),
            ),
            rows=tuple(rows),
            caption=words.order(t, study.order),
            numbers=(3, 4, 6),
        )
