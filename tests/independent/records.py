"""What an audit works on, and what it finds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
from shapely.geometry.base import BaseGeometry

from tests.independent.figures import Rules
from tests.independent.ground import Place
from tests.independent.services import Service

LIMIT = "limit"  # a rule is broken: excused where the plan itself reports the breach
RECORD = "record"  # what is written is not true: never excused


@dataclass(frozen=True)
class Finding:
    """One thing that does not hold, with what was found and what should have been."""

    rule: str
    subject: str
    value: object
    limit: object
    kind: str = LIMIT

    def __str__(self) -> str:
        return f"{self.rule} of {self.subject}: {self.value} against {self.limit} ({self.kind})"


@dataclass(frozen=True, eq=False)
class Case:
    """Inputs of a project and its written plan; all geometry in metres on the ground."""

    project: Mapping[str, Any]
    place: Place
    rules: Rules
    level_step: float  # [m]
    right_of_way: BaseGeometry
    streets: gpd.GeoDataFrame
    properties: gpd.GeoDataFrame
    tie_ins: gpd.GeoDataFrame
    keep_out: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    services: tuple[Service, ...]
    pits: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    connections: gpd.GeoDataFrame
    conflicts: gpd.GeoDataFrame
    footprints: gpd.GeoDataFrame
    summary: Mapping[str, Any]
    input_digests: Mapping[str, str] = field(default_factory=dict)
