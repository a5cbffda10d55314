"""Every drill says its task in five words at most, and no two say the same."""

from __future__ import annotations

from itertools import groupby

from trainer.practice.drills import DRILLS, TRIES, called, task_of


def test_every_drill_has_its_task_in_five_words() -> None:
    tasks = [task_of(name) for name in DRILLS]
    assert all(1 < len(words.split()) <= 5 and len(words) <= 30 for words in (*tasks, *map(task_of, TRIES)))
    assert len(set(tasks)) == len(tasks)
    assert task_of("study a solo, phrase 3")


def test_a_plan_names_what_it_is_for_as_players_would() -> None:
    """In an order of either kind: which figures come first is the planner's affair."""
    names = [called(name) for name in (*DRILLS, *TRIES)]
    assert not any("_" in name or "more" in name for name in names)
    assert called("change_one_four") == "from the one to the four" and called("study a solo, phrase 3").startswith("st")
    assert all(len(called(name)) <= 31 for name in TRIES)  # with key, tempo and why it is there on 80 columns


def test_drills_of_a_family_stand_together() -> None:
    """`trainer drills` lists them in the catalogue's order, under their family's name."""
    families = [family for family, _ in groupby(drill.family for drill in DRILLS.values())]
    assert len(set(families)) == len(families)
