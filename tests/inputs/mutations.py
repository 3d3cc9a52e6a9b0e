"""Spoils a good project in one of many ways, drawn by a seeded generator."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely

from tests.builders import build_site, houses, line, main_street, point, polygon

Random = np.random.Generator

PAYLOADS = (
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "${alert(3)}",
    "`+alert(4)+`",
    "{{7*7}}",
    "{{ self.__init__.__globals__.os.getpid() }}",
    "a {% b",
    "keep{# lost #}me",
    "C:\\x\\u0041 \\",
)
"""Text that a template, a script or a page could take for its own."""

VALUES: tuple[Any, ...] = (
    None, "", " ", "abc", "12", "1,5", "NaN", "\x1b[31mred", "é漢字🚇", "x" * 500, *PAYLOADS,
    0.0, -1.0, 1e-9, 9999.0, -9999.0, 1e30, -3.4e38, 12.5, 98.0, 400.0, True, "yes", "1 May",
    "2027-13-45", "2030-01-01", "2020/01/01", "gas", "GAS", "E", "pits, legs", "=1+1", "@x",
)  # fmt: skip

CRS_WORDS = ("EPSG:4326", "EPSG:3857", "EPSG:26915", "EPSG:2263", "EPSG:27700", "EPSG:32601", None)


def make_base(folder: Path, extra: tuple[str, ...]) -> Path:
    """A good project with every required layer, and some of the others with every column."""
    others: dict[str, list[dict[str, Any]]] = {
        "utilities": [
            line((30, -20), (30, 20), utility_id="G1", kind="gas", depth_m=0.9, diameter_m=0.1,
                 quality="B", status="live", owner="City", material="PE"),
            line((60, -20, 98.9), (60, 20, 98.8), utility_id="W1", kind="water", diameter_m=0.2),
            line((90, -20), (90, 20), utility_id="S1", kind="storm", invert_elev_m=98.0),
            point(100, 5, utility_id="V1", kind="electric", top_elev_m=99.8, width_m=0.6,
                  height_m=0.4),
        ],
        "keep_out": [polygon((10, 5), (20, 5), (20, 9), reason="vault", applies_to="pits",
                             until="2030-01-01")],
        "street_features": [point(50, 6, kind="hydrant", name="H1"),
                            polygon((70, 5), (75, 5), (75, 9), kind="driveway", clear_m=1.0)],
        "boreholes": [point(50, 0, borehole_id="B1", top_depth_m=0.0, bottom_depth_m=3.0,
                            soil="CL", n_value=12.0, groundwater_depth_m=2.2)],
        "zones": [polygon((0, -9), (90, -9), (90, 9), (0, 9), reason="frost", min_cover_m=1.5,
                          frost_depth_m=1.4, casing_required=True, allowed_hours="9-15",
                          no_cut_until="2029-01-01")],
        "control": [point(10.0 * i, 3, name=f"BM{i}", elev_m=100 + 0.1 * i) for i in range(6)],
        "right_of_way": [polygon((-20, -20), (220, -20), (220, 20), (-20, 20))],
    }  # fmt: skip
    streets = [
        *main_street(lanes=2, lane_width_m=3.2, row_width_m=18.0, speed_kmh=40, one_way=False,
                     road_class="local", no_cut_until="2026-01-01", vehicles_per_day=900.0),
        line((200, 0), (200, 60), (160, 60), street="Side Street", lanes=2),
    ]  # fmt: skip
    properties = [row | {"property_id": f"P{i}", "people": 3.0, "floor_elev_m": 99.5,
                         "street": "Main Street"} for i, row in enumerate(houses())]  # fmt: skip
    ties = [
        point(
            0,
            0,
            tie_in_id="T1",
            invert_elev_m=96.0,
            rim_elev_m=100.0,
            may_launch=False,
            outlet_diameter_mm=300.0,
            outlet_bearing_deg=270.0,
            spare_l_per_s=40.0,
        )
    ]
    return build_site(folder, streets=streets, properties=properties, tie_ins=ties,
                      **{name: others[name] for name in extra})  # fmt: skip


class Spoiler:
    """One good project, its layers in memory, and the ways to spoil a copy of it."""

    def __init__(self, project: Path) -> None:
        self.folder = project.parent
        self.text = project.read_text(encoding="utf-8")
        self.frames = {p.stem: gpd.read_file(p) for p in sorted(self.folder.glob("*.gpkg"))}

    def spoil(self, folder: Path, random: Random) -> tuple[Path, str]:
        """Write a spoiled copy; returns its project file and what was done."""
        folder.mkdir(parents=True, exist_ok=True)
        ways = (self._text, self._cells, self._cells, self._shapes, self._shapes, self._rows,
                self._columns, self._crs, self._bytes, self._ground)  # fmt: skip
        way: Callable[[Path, Random], tuple[str, str]] = ways[random.integers(len(ways))]
        text, done = way(folder, random)
        for file in self.folder.iterdir():
            if not (folder / file.name).exists():
                text = text.replace(f'"{file.name}"', f'"{file}"')
        project = folder / "project.toml"
        project.write_text(text, encoding="utf-8")
        return project, done

    def _text(self, _folder: Path, random: Random) -> tuple[str, str]:
        lines = self.text.split("\n")
        i = int(random.integers(len(lines)))
        line_ = lines[i]
        key = line_.split("=")[0]
        changed = [
            "", line_ + "\n" + line_, line_[: len(line_) // 2], f"{key}= 5", f"{key}= [1, 2]",
            f'{key}= "nonsense"', f"x{line_}", f"{key}= {{ a = 1 }}", f"{key}= true", '"" = 1',
            line_.swapcase(), f"{key}= 2027-05-01", f"[rules]\n{key}= -1", "[[utilities]]",
            'use_z = false\nvertical_unit = "ft"', "fields = { street = false, depth_m = 'D' }",
        ][int(random.integers(16))]  # fmt: skip
        lines[i] = changed
        return "\n".join(lines), f"line {i}: {line_!r} -> {changed!r}"

    def _pick(self, random: Random) -> tuple[str, gpd.GeoDataFrame]:
        name = sorted(self.frames)[int(random.integers(len(self.frames)))]
        return name, self.frames[name].copy()

    def _cells(self, folder: Path, random: Random) -> tuple[str, str]:
        name, frame = self._pick(random)
        names = [c for c in frame.columns if c != "geometry"] or ["note"]
        column = names[int(random.integers(len(names)))]
        value = VALUES[int(random.integers(len(VALUES)))]
        values = list(frame[column]) if column in frame else [None] * len(frame)
        which = random.random(len(values)) < random.choice([0.2, 1.0])
        which[int(random.integers(len(values)))] = True
        values = [value if hit else old for old, hit in zip(values, which, strict=True)]
        frame[column] = _one_type(values)
        return self._write(folder, name, frame, f"{name}.{column} = {value!r}")

    def _shapes(self, folder: Path, random: Random) -> tuple[str, str]:
        name, frame = self._pick(random)
        i = int(random.integers(len(frame)))
        shapes = list(frame.geometry)
        with np.errstate(invalid="ignore"):
            ways = _shape_ways(shapes[i], random)
        done = sorted(ways)[int(random.integers(len(ways)))]
        shapes[i] = ways[done]
        if random.random() < 0.2:
            with np.errstate(invalid="ignore"):
                shapes = [_shape_ways(shape, random)[done] for shape in frame.geometry]
        return self._write(
            folder, name, frame.set_geometry(shapes, crs=frame.crs), f"{name} {done}"
        )

    def _rows(self, folder: Path, random: Random) -> tuple[str, str]:
        name, frame = self._pick(random)
        ways = {
            "empty": frame.iloc[:0],
            "doubled": pd.concat([frame, frame]),
            "shuffled": frame.sample(frac=1.0, random_state=int(random.integers(1 << 30))),
            "one row": frame.iloc[:1],
            "many": pd.concat([frame] * 20),
        }
        done = sorted(ways)[int(random.integers(len(ways)))]
        return self._write(folder, name, ways[done], f"{name} {done}")

    def _columns(self, folder: Path, random: Random) -> tuple[str, str]:
        name, frame = self._pick(random)
        names = [c for c in frame.columns if c != "geometry"]
        if not names:
            return self.text, "nothing"
        column = names[int(random.integers(len(names)))]
        if random.random() < 0.5:
            return self._write(folder, name, frame.drop(columns=column), f"{name} less {column}")
        renamed = frame.rename(columns={column: column[:-1] + "x"})
        return self._write(folder, name, renamed, f"{name}.{column} renamed")

    def _crs(self, folder: Path, random: Random) -> tuple[str, str]:
        name, frame = self._pick(random)
        crs = CRS_WORDS[int(random.integers(len(CRS_WORDS)))]
        if crs is not None and random.random() < 0.5:
            return self._write(folder, name, frame.to_crs(crs), f"{name} carried to {crs}")
        return self._write(folder, name, frame.set_crs(crs, allow_override=True),
                           f"{name} called {crs}")  # fmt: skip

    def _bytes(self, folder: Path, random: Random) -> tuple[str, str]:
        files = [*sorted(self.frames), "ground"]
        name = files[int(random.integers(len(files)))]
        file = next(self.folder.glob(f"{name}.*"))
        raw = bytearray(file.read_bytes())
        way = int(random.integers(5))
        if way == 0:
            raw = raw[: int(random.integers(len(raw)))]
        elif way == 1:
            raw = bytearray(b"not what it is called")
        elif way == 2:
            raw = bytearray()
        elif way == 3:
            start = int(random.integers(len(raw)))
            raw[start : start + 2000] = bytes(min(2000, len(raw) - start))
        else:
            for place in random.integers(len(raw), size=40).tolist():
                raw[place] = int(random.integers(256))
        (folder / file.name).write_bytes(bytes(raw))
        return self.text, f"{file.name} bytes {way}"

    def _ground(self, folder: Path, random: Random) -> tuple[str, str]:
        with rasterio.open(self.folder / "ground.tif") as file:
            profile, values = file.profile, file.read(1)
        rows, cols = values.shape
        way = int(random.integers(8))
        r, c, size = (int(v) for v in random.integers(1, 80, size=3))
        if way == 0:
            values[r : r + size, c : c + size] = -9999.0
        elif way == 1:
            values[:] = [-9999.0, np.nan, 0.0, 1e30][int(random.integers(4))]
        elif way == 2:
            values = values + random.choice([-5000.0, 3.0, 30.0, 300.0, 20000.0])
        elif way == 3:
            values = values / 0.3048
        elif way == 4:
            profile["crs"] = CRS_WORDS[int(random.integers(len(CRS_WORDS)))]
        elif way == 5:
            profile |= {"dtype": "int16", "nodata": None}
        elif way == 6:
            values[random.random(values.shape) < 0.05] = np.nan
        else:
            values = values[: rows // 2, : cols // 2]
            profile |= {"height": values.shape[0], "width": values.shape[1]}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.open(folder / "ground.tif", "w", **profile) as file:
                file.write(values.astype(profile["dtype"]), 1)
        return self.text, f"ground {way}"

    def _write(
        self, folder: Path, name: str, frame: gpd.GeoDataFrame, done: str
    ) -> tuple[str, str]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame.to_file(folder / f"{name}.gpkg", driver="GPKG")
        return self.text, done


def _one_type(values: list[Any]) -> list[Any]:
    """Values that one column of a file can hold: all text where any is."""
    if any(isinstance(v, str) for v in values):
        return [None if v is None else str(v) for v in values]
    return values


def _shape_ways(shape: shapely.Geometry, random: Random) -> dict[str, shapely.Geometry | None]:
    """A shape spoiled in each of many ways."""
    xy = shapely.get_coordinates(shape)
    start = tuple(xy[0])
    jump = random.normal(0, 3.0, size=2)
    ring = [(start[0] + a, start[1] + b) for a, b in ((0, 0), (9, 9), (9, 0), (0, 9), (0, 0))]
    return {
        "missing": None,
        "empty": shapely.from_wkt("LINESTRING EMPTY"),
        "a point": shapely.Point(start),
        "no length": shapely.LineString([start, start]),
        "a bow tie": shapely.Polygon(ring),
        "closed": shapely.LineString(ring),
        "several": shapely.GeometryCollection([shape, shapely.transform(shape, lambda c: c + 7)]),
        "several parts": shapely.MultiLineString([[start, (start[0] + 5, start[1])],
                                                  [(start[0] + 9, start[1]), start]]),
        "a mixture": shapely.GeometryCollection([shapely.Point(start), shapely.Polygon(ring)]),
        "high": shapely.force_3d(shape, 99.0),
        "very high": shapely.force_3d(shape, 9e9),
        "no number": shapely.LineString([start, (np.nan, np.nan), tuple(xy[-1])]),
        "no numbers": shapely.Point(np.nan, np.nan),
        "endless": shapely.LineString([start, (np.inf, 0.0)]),
        "far": shapely.transform(shape, lambda c: c + 3e5),
        "very far": shapely.transform(shape, lambda c: c * 1e12),
        "nudged": shapely.transform(shape, lambda c: c + jump),
        "huge": shapely.transform(shape, lambda c: (c - c.mean(0)) * 1e4 + c.mean(0)),
        "tiny": shapely.transform(shape, lambda c: (c - c.mean(0)) * 1e-5 + c.mean(0)),
        "reversed": shapely.reverse(shape),
        "back and forth": shapely.LineString([start, (start[0] + 9, start[1]), start]),
        "nested": shapely.GeometryCollection([shapely.GeometryCollection([shape])]),
    }  # fmt: skip
