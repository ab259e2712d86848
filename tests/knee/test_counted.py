"""Counts in sentences: the one form where there is one, the other everywhere else."""

from pipeline.knee.counted import counted


def test_one_is_one_and_nothing_is_many() -> None:
    assert [counted(n, "film") for n in (0, 1, 21, 2000)] == [
        "0 films",
        "1 film",
        "21 films",
        "2,000 films",
    ]
    assert counted(1, "study", "studies") == "1 study"
    assert counted(3, "study", "studies") == "3 studies"
