"""Tips from a table: which film they belong to, and what is said about a wrong line."""

import numpy as np
import pytest

from pipeline.knee.detection import Detection
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.propose.marked_tips import MarkedTips, marks_of
from pipeline.registry import build


def knee(x: float) -> Detection:
    return Detection(
        box=(x, 0.0, x + 100.0, 100.0),
        view="AP",
        view_probability=1.0,
        lateral_to_right=True,
        lateral_to_right_probability=1.0,
        side="right",
        side_probability=1.0,
        names=(),
        xy=np.zeros((0, 2)),
        covariance=np.zeros((0, 2, 2)),
        seen=np.zeros(0),
        tips=np.array([[5.0, 5.0]]),
    )


class Inner:
    weights = "w"

    def detect(self, film):
        return [knee(0.0), knee(200.0)]


def film(name: str, frame: int | None = None) -> Film:
    return Film(np.zeros((120, 320), np.float32), f"a/{name}", "f" * 64, frame=frame)


def marked(tmp_path, text: str) -> MarkedTips:
    path = tmp_path / "marks.csv"
    path.write_text(text)
    detector = MarkedTips(tips=str(path))
    detector._inner = Inner()
    return detector


def test_named_films_have_these_tips_and_no_others(tmp_path):
    detector = marked(
        tmp_path, "film,frame,x,y\na.png,,10,20\na.png,,250,30.5\nb.png,,,\nc.dcm,2,7,8\n"
    )
    one, two = detector.detect(film("a.png"))
    assert one.tips.tolist() == [[10.0, 20.0]]
    assert two.tips.tolist() == [[250.0, 30.5]]
    assert all(len(d.tips) == 0 for d in detector.detect(film("b.png")))
    assert detector.detect(film("c.dcm", 2))[0].tips.tolist() == [[7.0, 8.0]]
    for other in (film("c.dcm", 1), film("z.png")):
        assert detector.detect(other)[0].tips.tolist() == [[5.0, 5.0]]
    assert detector.weights.startswith("w, tips marked in ")


def test_a_film_may_be_named_by_its_digest(tmp_path):
    detector = marked(tmp_path, f"film,x,y\n{'f' * 64},1,2\n")
    assert detector.detect(film("whatever.png"))[0].tips.tolist() == [[1.0, 2.0]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("film,x\na,1\n", "no column y"),
        ("film,x,y\na,1,two\n", "line 2: x or y is no number"),
        ("film,x,y\na,1,\n", "line 2: x or y is no number"),
        ("film,x,y\na,nan,1\n", "line 2: x or y is no number"),
        ("film,x,y\n,1,2\n", "line 2: names no film"),
        ("film,frame,x,y\na,first,1,2\n", "names no film, or a frame"),
    ],
)
def test_a_wrong_table_is_said_at_once(tmp_path, text, words):
    path = tmp_path / "marks.csv"
    path.write_text(text)
    with pytest.raises(Problem, match=words):
        marks_of(path)


def test_outside_the_film_missing_and_on_itself(tmp_path):
    with pytest.raises(Problem, match="outside the film"):
        marked(tmp_path, "film,x,y\na.png,400,20\n").detect(film("a.png"))
    with pytest.raises(Problem, match="does not exist"):
        _ = build("detector", "marked", {"tips": str(tmp_path / "none.csv")}).weights
    with pytest.raises(Problem, match="on itself"):
        build("detector", "marked", {"base": "marked"})
