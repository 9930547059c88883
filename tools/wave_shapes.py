"""Waves whose rms and harmonics follow from elementary integrals and series."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tools.waves import Floats

TURN = 2 * math.pi


@dataclass(frozen=True, slots=True)
class Shape:
    """One cycle of peak 1 (a square of peak 1, a sine cut or clipped from a peak of 1)."""

    name: str
    volts: Callable[[Floats], Floats]  # of turns
    rms: float
    thd_pct: float  # orders 2 to 50
    third_pct: float
    fifth_pct: float


def _square(turns: Floats) -> Floats:
    return np.asarray(np.sign(np.sin(TURN * turns)))


def _triangle(turns: Floats) -> Floats:
    return np.asarray(2 / np.pi * np.arcsin(np.sin(TURN * turns)))


def _clipped(turns: Floats) -> Floats:
    return np.asarray(np.clip(np.sin(TURN * turns), -0.9, 0.9))


def _quasi_square(turns: Floats) -> Floats:
    wave = np.sin(TURN * turns)
    return np.where(np.abs(wave) > 0.5, np.sign(wave), 0)


def _rectified(turns: Floats) -> Floats:
    return np.asarray(np.maximum(np.sin(TURN * turns), 0))


def _cut(turns: Floats) -> Floats:
    return np.where(np.mod(2 * turns, 1) < 0.5, 0, np.sin(TURN * turns))


SHAPES = (
    Shape("square", _square, 1, 47.297, 33.333, 20),
    Shape("triangle", _triangle, math.sqrt(1 / 3), 12.1147, 11.111, 4),
    Shape("sine clipped at 90 %", _clipped, 0.68128, 4.2197, 3.286, 2.287),
    Shape("quasi-square, 120 degrees", _quasi_square, math.sqrt(2 / 3), 30.015, 0, 20),
    Shape("half-wave rectified", _rectified, 0.5, 43.5234, 0, 0),
    Shape("sine cut by 90 degrees", _cut, 0.5, 64.157, 53.70, 17.90),
)
