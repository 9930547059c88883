"""`python -m tools.bench`: what the pipeline costs, against the least numpy could do, in one run.

The floor is what nobody can avoid: scale the samples, square them and sum up, transform each
basic interval once, and take one difference (design bar: at most 3 times that at 16 kS/s).
"""

import time
from collections.abc import Callable
from functools import partial

import click
import numpy as np
from numpy.typing import NDArray

from daemon.measure.channel import Supply
from daemon.pipeline import Pipeline
from daemon.plan import (
    LIVE_FRAME_S,
    ChannelSetup,
    PipelineSetup,
    recording_frame_s,
)
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits
from drivers.source import Block

SIGNAL_S = 20
REPEATS = 5


@click.command()
@click.option("--rate", "rates", type=int, multiple=True, default=(8000, 16000, 48000, 192000))
@click.option("--channels", type=int, default=1, show_default=True)
def main(rates: tuple[int, ...], channels: int) -> None:
    """Nanoseconds per sample and channel: floor, pipeline live and on recordings, and ratios."""
    click.echo(f"{'rate':>8}  {'floor ns':>9}  {'live ns':>8}  {'ratio':>6}  {'bulk ns':>8}  ratio")
    for rate in rates:
        volts = _steady_supply(rate, channels)
        floor, live, bulk = _interleaved(
            partial(_floor, volts, rate),
            partial(_pipeline, volts, rate, LIVE_FRAME_S),
            partial(_pipeline, volts, rate, recording_frame_s(rate)),
        )
        n = volts.size
        click.echo(
            f"{rate:>8}  {floor / n:>9.1f}  {live / n:>8.1f}  {live / floor:>6.2f}"
            f"  {bulk / n:>8.1f}  {bulk / floor:>5.2f}"
        )


def _interleaved(*runs: Callable[[], None]) -> list[float]:
    """Least processor time of each in ns, taken in turns so that all meet the same neighbours."""
    times: list[list[int]] = [[] for _ in runs]
    for _ in range(REPEATS):
        for run, taken in zip(runs, times, strict=True):
            start = time.process_time_ns()
            run()
            taken.append(time.process_time_ns() - start)
    return [float(min(taken)) for taken in times]


def _steady_supply(rate: int, channels: int) -> NDArray[np.float32]:
    """A supply with 3 % harmonics, noise and a slowly wandering frequency."""
    t_s = np.arange(SIGNAL_S * rate) / rate
    phase = 2 * np.pi * (50 * t_s + 0.02 * np.sin(0.3 * t_s))
    wave = np.sin(phase) + 0.02 * np.sin(5 * phase) + 0.02 * np.sin(7 * phase)
    noise = np.random.default_rng(1).normal(0, 0.001, (len(t_s), channels))
    return (325 * (wave[:, None] + noise)).astype(np.float32)


def _floor(volts: NDArray[np.float32], rate: int) -> None:
    interval = rate // 5
    for start in range(0, len(volts), rate):
        for column in range(volts.shape[1]):
            scaled = volts[start : start + rate, column].astype(np.float64) * 1.0
            np.cumsum(scaled * scaled)
            np.diff(scaled)
            for first in range(0, rate - interval + 1, interval):
                np.fft.rfft(scaled[first : first + interval])


def _pipeline(volts: NDArray[np.float32], rate: int, frame_s: float) -> None:
    pipeline = Pipeline(
        PipelineSetup(
            sample_rate_hz=float(rate),
            full_scale_v=800.0,
            supply=Supply(230.0, 50),
            channels=tuple(ChannelSetup(f"L{n + 1}", n, 1.0, 0.0) for n in range(volts.shape[1])),
            limits=VoltageLimits.from_percent(230.0, 90, 110, 5, 2),
            slow_limits=SlowLimits(5.0, 1.0, 1.0),
            transient_pct=20.0,
            frame_s=frame_s,
        )
    )
    for start in range(0, len(volts), rate // 50):
        pipeline.feed(Block(start, volts[start : start + rate // 50]))
    pipeline.finish()


if __name__ == "__main__":
    main()
