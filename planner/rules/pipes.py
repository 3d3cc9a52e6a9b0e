"""The pipes that can be bought, as sizes a leg may take."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any

from planner.model import RuleBook

MM = {"mm": 1.0, "in": 25.4}  # [mm] per unit of a series
METHOD_SERIES = {"jacked": "jacked_pipe", "pulled back": "pulled_back_pipe"}


@dataclass(frozen=True)
class PipeSize:
    """One size of one series of pipes, placed by one method."""

    nominal_mm: float  # what it counts as
    sold_as_mm: float  # nominal size of the standard
    inside_mm: float
    outside_mm: float
    material: str
    standard: str
    series: str
    method: str  # jacked, pulled back
    pressure_rated: bool

    @property
    def inside_m(self) -> float:
        """Inside diameter in metres."""
        return self.inside_mm / 1000

    @property
    def outside_m(self) -> float:
        """Outside diameter in metres."""
        return self.outside_mm / 1000


@cache
def read_series() -> Mapping[str, Mapping[str, Any]]:
    """Series of pipes as the data file has them."""
    text = resources.files("planner.rules").joinpath("pipes.toml").read_text("utf-8")
    return tomllib.loads(text)


def series_names() -> tuple[str, ...]:
    """Names of the series of pipes."""
    return tuple(read_series())


@cache
def nominal_sizes() -> tuple[float, ...]:
    """Every nominal size that some series has, from the smallest, in mm."""
    return tuple(sorted({float(row[0]) for raw in read_series().values() for row in raw["sizes"]}))


@cache
def pipe_table() -> tuple[PipeSize, ...]:
    """Every pipe as its standard sells it, once for each method it is fit for."""
    return tuple(
        _pipe(name, raw, row, method)
        for name, raw in read_series().items()
        for method in raw["methods"]
        for row in raw["sizes"]
    )


def _pipe(name: str, raw: Mapping[str, Any], row: list[float], method: str) -> PipeSize:
    nominal, inside, outside = row
    unit = MM[raw["unit"]]
    return PipeSize(
        nominal_mm=float(nominal),
        sold_as_mm=float(nominal),
        inside_mm=round(inside * unit, 3),
        outside_mm=round(outside * unit, 3),
        material=raw["material"],
        standard=raw["standard"],
        series=name,
        method=method,
        pressure_rated=raw["pressure_rated"],
    )


def pipe_sizes(book: RuleBook) -> tuple[PipeSize, ...]:
    """Sizes a leg may take, of the series that each method uses, from the smallest.

    A pipe whose inside is below ``min_inside_ratio`` of its nominal size counts as the next
    nominal size down of its series; of two that count as the same the slimmer one stays.
    """
    chosen = (
        pipe
        for method, series in METHOD_SERIES.items()
        for pipe in series_sizes(book, book.equipment.text(series), method)
    )
    return tuple(sorted(chosen, key=lambda pipe: (pipe.nominal_mm, pipe.method)))


def pressure_sizes(book: RuleBook) -> tuple[PipeSize, ...]:
    """Sizes of the pressure-rated series, for each method, from the smallest."""
    series = book.equipment.text("pressure_pipe")
    chosen = (pipe for method in METHOD_SERIES for pipe in series_sizes(book, series, method))
    return tuple(sorted(chosen, key=lambda pipe: (pipe.nominal_mm, pipe.method)))


def series_sizes(book: RuleBook, series: str, method: str) -> tuple[PipeSize, ...]:
    """Sizes of one series fit for a method, as they count, from ``min_diameter_mm`` upwards."""
    sold = [pipe for pipe in pipe_table() if (pipe.series, pipe.method) == (series, method)]
    ratio = book.rules.number("min_inside_ratio")
    counted = [pipe for pipe in _count(sold, ratio) if pipe.nominal_mm >= _smallest(book)]
    slim = sorted(counted, key=lambda pipe: (pipe.nominal_mm, pipe.outside_mm), reverse=True)
    by_size = {pipe.nominal_mm: pipe for pipe in slim}
    return tuple(by_size[size] for size in sorted(by_size))


def _smallest(book: RuleBook) -> float:
    return book.rules.number("min_diameter_mm")


def _count(sold: list[PipeSize], ratio: float) -> list[PipeSize]:
    """Pipes by what they count as; one that counts as less than the smallest size is left out."""
    nominals = [pipe.nominal_mm for pipe in sold]
    counted = []
    for pipe in sold:
        fits = [n for n in nominals if n <= pipe.nominal_mm and pipe.inside_mm >= ratio * n]
        if fits:
            counted.append(replace(pipe, nominal_mm=max(fits)))
    return counted
