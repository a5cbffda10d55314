"""Speed of the band: rendering against its playing time, and against the plain way of doing it.

    python tests/bench/bench_band.py

Plain way ("whole-song buffers"): every note added, whole, into float64 buffers as long as the song, then summed. It
needs the song's memory and is ready only at its end; the blocks are compared with it for time and memory.
"""

from __future__ import annotations

import tempfile
import time
import tracemalloc
from collections import deque
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from trainer.band import PARTS, arrange
from trainer.band.sound import DEFAULT_GAINS, Ducker, StemRenderer, mix, monitor_note
from trainer.band.sound import bank as bank_module
from trainer.clock import TempoMap
from trainer.engine.mixer import Mixer
from trainer.engine.ring import BLOCK_FRAMES, MONITOR_PITCHES, Geometry, Ring
from trainer.ports.protocols import RawMidi
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.system import here

RATE_HZ = 48000
MOST_SHARE = 0.03  # of playing time, for four minutes of the full band
CALLBACK_FRAMES = 256


def full_band_chart(groove: str = "shuffle") -> Chart:
    """Ten choruses at 120 bpm, four minutes, everything playing."""
    plans = (ChorusPlan("verse", 3, (0.6, 0.7, 0.8)), ChorusPlan("solo", 7, (0.7, 0.8, 0.9, 1.0, 1.0, 1.0, 1.0)))
    return expand(Session(groove=groove, tempo_bpm=120.0, choruses=plans, guide="on", count_in_bars=1))


def seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def by_blocks(stems: StemRenderer, n_frames: int = 12000) -> None:
    out = np.empty((n_frames, 2), dtype=np.float32)
    for first in range(0, stems.n_frames, n_frames):
        mix(stems.block(first, n_frames), DEFAULT_GAINS, out)


def whole_song(stems: StemRenderer) -> None:
    buffers = np.zeros((len(PARTS), stems.n_frames, 2))
    for i, begin in enumerate(stems._begins.tolist()):
        alone = np.zeros((len(PARTS), int(stems._ends[i]) - begin, 2), dtype=np.float32)
        stems._add(alone, i, begin, int(stems._ends[i]))
        buffers[:, begin : begin + alone.shape[1]] += alone
    buffers.sum(axis=0)


def callback_share() -> str:
    """The whole callback: ring read, gains, eight of the player's notes ringing, ducker; against the plain way of
    adding the parts of the ring up in float64 one by one."""
    geometry = Geometry.for_rate(len(PARTS), RATE_HZ)
    address, memory = here().make_shared(geometry.n_bytes)
    try:
        ring = Ring(memory, geometry)
        stems = StemRenderer(arrange(full_band_chart()), TempoMap.constant(120.0), RATE_HZ)
        n_blocks = geometry.n_blocks - 2
        first = 60 * RATE_HZ // CALLBACK_FRAMES
        for k in range(n_blocks):
            ring.put(k, 1, stems.block((first + k) * BLOCK_FRAMES, BLOCK_FRAMES))
        for i in range(geometry.n_monitor):
            note = monitor_note(float(MONITOR_PITCHES[0] + i), 100, RATE_HZ).mean(axis=1)[: geometry.monitor_frames]
            ring.monitor[i, : len(note)] = note
            ring.monitor_ready[i] = len(note)
        out = np.empty((CALLBACK_FRAMES, 2), dtype=np.float32)
        took: dict[str, list[float]] = {"callback": [], "plain": []}
        for _ in range(12):
            strikes: deque[RawMidi] = deque((0, 0.0, bytes((0x90, 30 + k, 100))) for k in range(8))
            mixer = Mixer(ring, RATE_HZ, DEFAULT_GAINS, strikes)
            mixer.route = (1, 0)
            for k in range(n_blocks):
                took["callback"].append(seconds(partial(mixer.fill, k * CALLBACK_FRAMES, out)))
        for k in range(n_blocks):
            at = k * CALLBACK_FRAMES
            took["plain"].append(
                seconds(lambda at=at: sum(part.astype(np.float64) for part in ring.stems[:, at : at + CALLBACK_FRAMES]))
            )
        period_s = CALLBACK_FRAMES / RATE_HZ
        # Each block's best of twelve: what else the machine did meanwhile is not the callback's work.
        blocks = np.array(took["callback"]).reshape(-1, n_blocks).min(axis=0)
        middle, worst, plain = (
            float(np.median(blocks)),
            float(np.percentile(blocks, 99)),
            float(np.median(took["plain"])),
        )
        return (
            f"callback of {CALLBACK_FRAMES} frames: {middle / period_s:.2%} of its period (99 of 100 under "
            f"{worst / period_s:.2%}; at most 10% wanted: {'yes' if worst < 0.1 * period_s else 'NO'}), "
            f"{middle / plain:.1f} times the bare sum of the parts"
        )
    finally:
        here().forget_shared(address)


def main() -> None:
    print(
        f"{'groove':18s} {'events':>7s} {'arrange':>9s} {'list':>7s} {'blocks':>8s} {'of playing':>10s} "
        f"{'plain/blocks':>13s}"
    )
    worst = 0.0
    for groove in ("shuffle", "double_shuffle", "slow_twelve_eight", "two_beat", "straight", "rumba"):
        chart = full_band_chart(groove)
        tempo = TempoMap(chart.tempo_segments)
        StemRenderer(arrange(chart), tempo, RATE_HZ)  # sounds are there
        arrange_s = seconds(lambda chart=chart: arrange(chart))
        score = arrange(chart)
        list_s = seconds(lambda score=score, tempo=tempo: StemRenderer(score, tempo, RATE_HZ))
        stems = StemRenderer(score, tempo, RATE_HZ)
        blocks_s = min(seconds(lambda stems=stems: by_blocks(stems)) for _ in range(3))
        plain_s = seconds(lambda stems=stems: whole_song(stems))
        share = (arrange_s + list_s + blocks_s) / (stems.n_frames / RATE_HZ)
        worst = max(worst, share)
        print(
            f"{groove:18s} {score.events.size:7d} {arrange_s:8.3f}s {list_s:6.3f}s {blocks_s:7.2f}s {share:10.2%} "
            f"{plain_s / blocks_s:12.1f}x"
        )
    print(
        f"worst {worst:.2%} of playing time; at most {MOST_SHARE:.0%} wanted: {'yes' if worst <= MOST_SHARE else 'NO'}"
    )

    stems = StemRenderer(arrange(full_band_chart()), TempoMap.constant(120.0), RATE_HZ)
    for name, work in (("blocks", lambda: by_blocks(stems)), ("whole-song buffers", lambda: whole_song(stems))):
        tracemalloc.start()
        work()
        print(f"memory while rendering by {name}: {tracemalloc.get_traced_memory()[1] / 1e6:.1f} MB at most")
        tracemalloc.stop()

    block = stems.block(RATE_HZ * 60, CALLBACK_FRAMES)
    out = np.empty((CALLBACK_FRAMES, 2), dtype=np.float32)
    period_s = CALLBACK_FRAMES / RATE_HZ
    for name, gains in (("as balanced", DEFAULT_GAINS), ("all limited", (30.0,) * len(PARTS))):
        mix_s = np.median([seconds(lambda gains=gains: mix(block, gains, out)) for _ in range(2000)])
        ducker = Ducker(RATE_HZ)
        duck_s = np.median([seconds(partial(ducker.mix, block, gains, out)) for _ in range(2000)])
        print(
            f"mix of {CALLBACK_FRAMES} frames, {name}: plain {mix_s * 1e6:.0f} µs, ducked {duck_s * 1e6:.0f} µs: "
            f"{duck_s / period_s:.2%} of the period, {duck_s / mix_s:.1f} times plain"
        )
    print(callback_share())

    monitor_note(40.0, 100, RATE_HZ)
    again_s = np.median([seconds(lambda: monitor_note(40.0, 100, RATE_HZ)) for _ in range(1000)])
    first_s = np.median([seconds(lambda k=k: monitor_note(40.0 + k, 100, RATE_HZ)) for k in range(1, 13)])
    print(f"monitor note: first {first_s * 1e6:.0f} µs, again {again_s * 1e6:.1f} µs")

    kept = bank_module.cache_dir
    with tempfile.TemporaryDirectory() as folder:
        bank_module.cache_dir = lambda: Path(folder)
        for when in ("made", "read"):
            bank_module.instrument.cache_clear()
            took_s = seconds(lambda: [bank_module.instrument(name, RATE_HZ) for name in bank_module.INSTRUMENTS])
            size = sum(file.stat().st_size for file in Path(folder).iterdir())
            print(f"all sounds {when}: {took_s:.2f} s ({size / 1e6:.0f} MB on disk)")
        bank_module.cache_dir = kept
        bank_module.instrument.cache_clear()


if __name__ == "__main__":
    main()
