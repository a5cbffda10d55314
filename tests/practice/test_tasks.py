"""Every drill says its task in five words at most, and no two say the same."""

from __future__ import annotations

from trainer.practice import DRILLS
from trainer.practice.tasks import TASKS, task_of


def test_every_drill_has_its_task_in_five_words() -> None:
    assert set(TASKS) == set(DRILLS)
    assert all(1 < len(words.split()) <= 5 and len(words) <= 30 for words in TASKS.values())
    assert len(set(TASKS.values())) == len(TASKS)
    assert task_of("study a solo, phrase 3")
