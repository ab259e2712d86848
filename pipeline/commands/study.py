"""`squareon study`: plan, size, analyse or see an example of a teacher's own study of learning."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.commands.progress import bar
from pipeline.knee.counted import counted
from pipeline.knee.errors import Problem

if TYPE_CHECKING:
    from pipeline.knee.film import Film
    from pipeline.study.analyse import Effect

EXAMPLES = """\
examples:
  squareon study size --effect 1.5 --sd-change 1.2 --sd-film 3 --films 8
  squareon study plan films/ --out study --learners 24 --truth angles.csv
  squareon study analyse study
  squareon study example --out invented-study

size     how many learners: exact power of the t test on each learner's mean change
plan     films under drawn names as pixels alone, a sheet for each learner in a drawn and balanced
         order, and a sealed key (who is taught, which film is which)
analyse  opens the key; mixed model with learners and films, paired and two-sample t tests; writes
         study.html and study.csv (needs the extra study)
example  all of it with invented learners (needs the extra study)

docs/guides/study-kit.md holds a protocol to adapt. Consent, ethics and data protection follow your
own rules. Films stay archived or invented ones: never for a live or autonomous procedure.
"""
SHOWN = 20
DOES = ("plan", "size", "analyse", "example")


@dataclass(frozen=True)
class StudyCommand:
    """Helps a teacher to find out whether feedback taught anything."""

    help: ClassVar[str] = "plan and analyse a study of what learners gain (sizes, blinding, tests)"
    settings: ClassVar[None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("do", choices=DOES, metavar="DO", help=", ".join(DOES))
        parser.add_argument(
            "paths",
            nargs="*",
            type=Path,
            metavar="PATH",
            help="plan: films or folders; analyse: the study's folder",
        )
        parser.add_argument("--out", type=Path, metavar="DIR", help="folder of the study or page")
        plan = parser.add_argument_group("plan")
        plan.add_argument("--learners", type=int, default=0, metavar="N", help="how many take part")
        plan.add_argument(
            "--truth",
            type=Path,
            metavar="CSV",
            help="true angles: film, rotation_deg, tilt_deg; film as its file is called",
        )
        plan.add_argument("--what", default="", help="what is measured, if not the angles' error")
        plan.add_argument("--seed", type=int, metavar="N", help="of the draws; default: a secret")
        plan.add_argument(
            "--arms", type=int, default=2, help="1: all are taught, 2: half wait (default)"
        )
        size = parser.add_argument_group("size")
        size.add_argument("--effect", type=float, metavar="X", help="smallest change worth finding")
        size.add_argument("--sd-change", type=float, default=0.0, metavar="X", help="of learners")
        size.add_argument(
            "--sd-film", type=float, default=0.0, metavar="X", help="of one learner over films"
        )
        size.add_argument("--films", type=int, default=10, metavar="N", help="on each occasion")
        size.add_argument("--power", type=float, default=0.8, metavar="P")
        size.add_argument("--alpha", type=float, default=0.05, metavar="P", help="two-sided")
        size.add_argument("--lost", type=float, default=0.0, metavar="P", help="share who drop out")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        do = {"plan": _plan, "size": _size, "analyse": _analyse, "example": _example}
        status = do[arguments.do](arguments)
        print(CAUTION)
        return status


def _size(arguments: argparse.Namespace) -> int:
    from pipeline.study.size import Wanted, learners_needed, power_of, to_invite

    if arguments.effect is None:
        raise Problem("--effect", "is not given", "say which change is worth finding")
    wanted = Wanted(
        arguments.effect,
        arguments.sd_change,
        arguments.sd_film,
        arguments.films,
        arguments.arms,
        arguments.power,
        arguments.alpha,
        arguments.lost,
    )
    needed = learners_needed(wanted)
    reached = power_of(wanted.standardised, needed, wanted.arms, wanted.alpha)
    arms = "in each of two arms" if wanted.arms == 2 else "in one arm"
    print(f"{counted(needed, 'learner')} {arms} must finish; invite {to_invite(wanted)} in all.")
    print(
        f"A learner's mean change spreads by {wanted.spread:.2f}, so the effect is "
        f"{wanted.standardised:.2f} of it; power {reached:.3f}, two-sided alpha {wanted.alpha:g}."
    )
    return 0


def _plan(arguments: argparse.Namespace) -> int:
    from pipeline.records.journal import write_problems
    from pipeline.study.plan import Plan, check_fresh, lay_out, truth_of

    if arguments.out is None or not arguments.paths or not arguments.learners:
        raise Problem(
            "plan", "needs films, --learners and --out", "see the examples of squareon study --help"
        )
    plan = Plan(arguments.learners, arguments.arms, arguments.seed, arguments.what)
    check_fresh(arguments.out)
    truth = {} if arguments.truth is None else truth_of(arguments.truth)
    films, problems, silent = _films(arguments.paths)
    if not films and len(problems) == 1:
        raise problems[0]
    for problem in problems[:SHOWN]:
        print(f"left out: {problem}")
    if len(problems) > SHOWN:
        print(f"left out: {len(problems) - SHOWN} more")
    if not films:
        where = ", ".join(map(str, arguments.paths))
        raise Problem(where, "no film in it can be read", "name films or a folder of films")
    _check_names(films, [name for name in truth if name.partition(" frame ")[0] not in silent])
    path = lay_out(plan, films, truth, arguments.out)
    write_problems(path.parent / "key" / "problems.csv", problems)
    known = sum(name in truth for name, _ in films)
    print(
        f"planned for {plan.learners} learners and {len(films)} films; true angles known of {known}"
    )
    print(f"  {path.parent / 'films'}: look at every picture for burnt-in names before you use it")
    print(f"  {path.parent / 'answers'}: a sheet for each learner")
    print(f"  {path.parent / 'key'}: keep it where learners and scorers do not come")
    if problems:
        print(f"  {path.parent / 'key' / 'problems.csv'}: which films were left out, and why")
    print("Consent, ethics and data protection follow your own rules: ask before you begin.")
    return 1 if problems else 0


def _films(
    paths: Sequence[Path],
) -> tuple[list[tuple[str, Film]], list[Problem], set[str]]:
    """Films by name, what is wrong with others, and the names of files that are not complete."""
    from pipeline.readers.find import find_films
    from pipeline.readers.read import read_films
    from pipeline.registry import build

    readers = [build("reader", name) for name in ("dicom", "raster", "itk")]
    films: list[tuple[str, Film]] = []
    problems: list[Problem] = []
    silent: set[str] = set()
    found = list(find_films(paths, problems))
    with bar("reading films") as progress:
        for done, path in enumerate(found, 1):
            try:
                for film in read_films(path, readers):
                    frame = "" if film.frame is None else f" frame {film.frame}"
                    films.append((f"{path.name}{frame}", film))
            except Problem as problem:
                problems.append(problem)
                silent.add(path.name)
            progress(done, len(found))
    return films, problems, silent


def _check_names(films: Sequence[tuple[str, Film]], truth: Iterable[str]) -> None:
    """Raises `Problem` for two films of one name, and for true angles of films not given."""
    seen: set[str] = set()
    for name, _ in films:
        if name in seen:
            raise Problem(name, "is the name of two films", "rename one: the key goes by names")
        seen.add(name)
    strange = sorted(set(truth) - seen)
    if strange:
        raise Problem(
            strange[0], "has true angles but is not among the films", "correct the table's name"
        )


def _analyse(arguments: argparse.Namespace) -> int:
    from pipeline.study.analyse import load_study
    from pipeline.study.page import write_study

    if len(arguments.paths) != 1:
        raise Problem("PATH", "analyse takes one study", "name its folder")
    folder = arguments.paths[0]
    out = arguments.out or folder
    study = load_study(folder)
    found = write_study(study, out)
    if study.invented:
        print("INVENTED: nobody took part.")
    print(f"{study.what}; after less before")
    print("\n".join(told(one) for one in found))
    for gap in study.gaps:
        print(f"missing: {gap}")
    print(f"page in {out / 'study.html'}, table in {out / 'study.csv'}")
    return 0


def told(one: Effect) -> str:
    """One estimate as a line."""
    if one.value is None:
        return f"  {one.name}, {one.method}: none, {one.note}"
    span = "" if one.low is None or one.high is None else f" ({one.low:+.2f} to {one.high:+.2f})"
    p = "" if one.p is None else f", p {one.p:.3g}"
    note = f"; {one.note}" if one.note else ""
    return f"  {one.name}, {one.method}, n = {one.n}: {one.value:+.2f}{span}{p}{note}"


def _example(arguments: argparse.Namespace) -> int:
    from pipeline.study.example import invent

    if arguments.out is None:
        raise Problem("--out", "is not given", "name a folder for the example")
    with bar("inventing films") as progress:
        invent(arguments.out, progress)
    arguments.paths, arguments.out = [arguments.out], None
    return _analyse(arguments)
