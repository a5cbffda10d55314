"""The closed loop: the scorer's device finder recognises every claim of every generated line, as written and as
played."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.line.definitions import holds
from tests.line.test_model_lines import a_chart, read
from trainer.clock.tempo import TempoMap
from trainer.line import DEVICES, Feel, LineScore, StandIn, model_line, planned_song
from trainer.music import FORMS
from trainer.scoring import score
from trainer.scoring.devices import DEVICE_NAMES, find_notes
from trainer.session import Chart
from trainer.take import Take

Places = Counter[tuple[str, float]]


def both(chart: Chart, line: LineScore) -> tuple[Places, Places]:
    """(claimed, found): name and start beat of each."""
    rows = line.notes
    found = find_notes(chart, rows["onset_beats"], rows["pitch"].astype(float), rows["duration_beats"])
    claimed = Counter((c.name, round(c.at_beats, 3)) for c in line.claims)
    return claimed, Counter((d.name, round(d.at_beats, 3)) for d in found)


def test_the_names_are_one_set() -> None:
    assert DEVICE_NAMES == DEVICES


@pytest.mark.parametrize("device", [*DEVICES, "song"])
def test_every_claim_is_recognised_and_nothing_else(device: str) -> None:
    hits = n_claimed = n_found = 0
    for key in ("E", "Bb", "Ebm", "A"):
        for form in FORMS:
            chart = a_chart(
                key, form, chorus=[{"role": "verse"}, {"role": "solo", "times": 2, "intensity": [0.6, 0.9]}]
            )
            line = planned_song(chart, 3) if device == "song" else model_line(chart, device=device, seed=11)
            claimed, found = both(chart, line)
            hits += (claimed & found).total()
            n_claimed += claimed.total()
            n_found += found.total()
            notes = read(line)
            for name, at in found - claimed:  # what else is found must stand by the definitions
                beats = next(b for n, a, b in lengths(chart, line) if n == name and round(a, 3) == at)
                assert holds(name, notes, chart, at, beats), (key, form, name, at)
    assert n_claimed > 60
    assert hits / n_claimed >= 0.99 and hits / n_found >= 0.99


def lengths(chart: Chart, line: LineScore) -> list[tuple[str, float, float]]:
    rows = line.notes
    found = find_notes(chart, rows["onset_beats"], rows["pitch"].astype(float), rows["duration_beats"])
    return [(d.name, d.at_beats, d.beats) for d in found]


@pytest.mark.parametrize("device", DEVICES)
def test_claims_are_recognised_as_played(device: str) -> None:
    # Through the whole scorer: late, at another ratio, with jitter; one to one by start beat within half a beat.
    hits = n_claimed = n_found = 0
    feel = Feel(lateness_ms=10.0, swing_ratio=1.8, jitter_sd_ms=9.0, missed_frac=0.0)
    for seed, key in enumerate(("G", "C", "E")):
        chart = a_chart(key, chorus=[{"role": "verse", "times": 3}])
        line = model_line(chart, device=device, seed=seed)
        done = StandIn(feel, seed).play(line)
        card = score(Take(done.notes, TempoMap(chart.tempo_segments), session=chart.session))
        found = [d for d in card.to_dict()["devices"]["found"] if d["name"] == device]
        left = [d["at_beats"] for d in found]
        n_found += len(left)
        for claim in line.claims:
            if claim.name == device:
                n_claimed += 1
                near = [at for at in left if abs(at - claim.at_beats) < 0.5]
                if near:
                    left.remove(near[0])
                    hits += 1
    assert n_claimed >= 6
    assert hits / n_claimed >= 0.9, f"recall {hits}/{n_claimed}"
    assert hits / n_found >= 0.9, f"precision {hits}/{n_found}"
