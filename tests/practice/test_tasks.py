"""Every drill says its task in five words at most, and no two say the same."""

from __future__ import annotations

from trainer.practice.drills import DRILLS, TRIES, task_of


def test_every_drill_has_its_task_in_five_words() -> None:
    tasks = [task_of(name) for name in DRILLS]
    assert all(1 < len(words.split()) <= 5 and len(words) <= 30 for words in (*tasks, *map(task_of, TRIES)))
    assert len(set(tasks)) == len(tasks)
    assert task_of("study a solo, phrase 3")
