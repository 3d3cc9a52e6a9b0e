"""Ways to spoil a drawn design, each chosen by a seeded generator."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from tests.check.drawn import Frames

Chance = np.random.Generator
Mutation = Callable[[Frames, Chance], Frames]

TEXTS = ["", "P1", "T", "nowhere", "L1", "\x1b[31m", "a\nb", "Ω", "0", "None", "nan"]
NUMBERS = [0.0, -1.0, 1e-9, 1e4, 1e9, 97.123456, np.nan, np.inf, 320.0]
SYSTEMS = ["EPSG:4326", "EPSG:3857", "EPSG:26915", "EPSG:2264"]


def _layer(chance: Chance) -> str:
    return str(chance.choice(["pits", "legs"]))


def _row(frame: gpd.GeoDataFrame, chance: Chance) -> int:
    return int(chance.integers(len(frame))) if len(frame) else -1


def _with_shape(frames: Frames, chance: Chance, change: Callable[..., object]) -> Frames:
    layer = _layer(chance)
    frame = frames[layer]
    row = _row(frame, chance)
    if row < 0 or frame.geometry.iloc[row] is None or frame.geometry.iloc[row].is_empty:
        return frames
    shapes = list(frame.geometry)
    shapes[row] = change(shapes[row])
    return frames | {layer: frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))}


def move(frames: Frames, chance: Chance) -> Frames:
    shift = chance.normal(0, 10.0 ** chance.integers(-3, 6), 2)
    return _with_shape(frames, chance, lambda s: shapely.transform(s, lambda xy: xy + shift))


def turn_round(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, shapely.reverse)


def lose_shape(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, lambda _: None)


def empty_shape(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, lambda _: shapely.LineString())


def no_number(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, lambda _: shapely.Point(np.nan, 5000.0))


def make_multi(frames: Frames, chance: Chance) -> Frames:
    def change(shape: shapely.Geometry) -> shapely.Geometry:
        if shape.geom_type != "LineString":
            return shapely.MultiPoint([shape]) if shape.geom_type == "Point" else shape
        a, b = shapely.get_coordinates(shape)[[0, -1]]
        gap = chance.choice([0.0, 2.0])
        return shapely.MultiLineString([[a, (a + b) / 2], [(a + b) / 2 + gap, b]])

    return _with_shape(frames, chance, change)


def make_area(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, lambda s: s.buffer(1.0))


def add_height(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(frames, chance, lambda s: shapely.force_3d(s, 97.0))


def shrink(frames: Frames, chance: Chance) -> Frames:
    return _with_shape(
        frames, chance, lambda s: shapely.transform(s, lambda xy: np.repeat(xy[:1], len(xy), 0))
    )


def set_number(frames: Frames, chance: Chance) -> Frames:
    frame = frames["legs"].copy()
    column = str(chance.choice(["invert_up_m", "invert_down_m", "diameter_mm"]))
    if (row := _row(frame, chance)) >= 0 and column in frame.columns:
        frame[column] = frame[column].astype(object)
        frame.iloc[row, frame.columns.get_loc(column)] = chance.choice(NUMBERS)
    return frames | {"legs": frame}


def set_text(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    frame = frames[layer].copy()
    names = [c for c in frame.columns if c.endswith(("_id", "_pit")) or c == "method"]
    if (row := _row(frame, chance)) >= 0 and names:
        column = str(chance.choice(names))
        frame[column] = frame[column].astype(object)
        frame.iloc[row, frame.columns.get_loc(column)] = str(chance.choice(TEXTS))
    return frames | {layer: frame}


def swap_inverts(frames: Frames, chance: Chance) -> Frames:
    frame, row = frames["legs"].copy(), _row(frames["legs"], chance)
    names = ["invert_up_m", "invert_down_m"]
    if row >= 0 and set(names) <= set(frame.columns):
        places = [frame.columns.get_loc(name) for name in names]
        frame.iloc[row, places] = frame.iloc[row, places[::-1]].to_numpy()
    return frames | {"legs": frame}


def swap_pits(frames: Frames, chance: Chance) -> Frames:
    frame, row = frames["legs"].copy(), _row(frames["legs"], chance)
    names = ["up_pit", "down_pit"]
    if row >= 0 and set(names) <= set(frame.columns):
        places = [frame.columns.get_loc(name) for name in names]
        frame.iloc[row, places] = frame.iloc[row, places[::-1]].to_numpy()
    return frames | {"legs": frame}


def join_elsewhere(frames: Frames, chance: Chance) -> Frames:
    frame = frames["legs"].copy()
    if (row := _row(frame, chance)) >= 0 and len(frames["pits"]) and "down_pit" in frame.columns:
        place = frame.columns.get_loc("down_pit")
        name = frames["pits"].drop(columns="geometry").iloc[_row(frames["pits"], chance)]
        frame.iloc[row, place] = str(name.iloc[0]) if len(name) else "nowhere"
    return frames | {"legs": frame}


def double_row(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    frame = frames[layer]
    if not len(frame):
        return frames
    again = frame.iloc[[_row(frame, chance)]]
    return frames | {layer: pd.concat([frame, again], ignore_index=True)}


def lose_row(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    row = _row(frames[layer], chance)
    return frames | {layer: frames[layer].drop(index=frames[layer].index[max(row, 0) : row + 1])}


def lose_all(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    return frames | {layer: frames[layer].iloc[:0]}


def lose_column(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    column = str(chance.choice([c for c in frames[layer].columns if c != "geometry"]))
    return frames | {layer: frames[layer].drop(columns=column)}


def add_column(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    name = str(chance.choice(["note", "geom", "shape", "index", "launch_pit", "lanes_closed"]))
    return frames | {layer: frames[layer].assign(**{name: str(chance.choice(TEXTS))})}


def shuffle(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    order = chance.permutation(len(frames[layer]))
    return frames | {layer: frames[layer].iloc[order]}


def reproject(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    if frames[layer].crs is None or frames[layer].geometry.isna().any():
        return frames
    return frames | {layer: frames[layer].to_crs(str(chance.choice(SYSTEMS)))}


def misname_system(frames: Frames, chance: Chance) -> Frames:
    layer = _layer(chance)
    crs = chance.choice([*SYSTEMS, ""])
    return frames | {layer: frames[layer].set_crs(str(crs) or None, allow_override=True)}


def in_feet(frames: Frames, _: Chance) -> Frames:
    frame = frames["legs"].copy()
    for column in {"invert_up_m", "invert_down_m"} & set(frame.columns):
        frame[column] = pd.to_numeric(frame[column], errors="coerce") / 0.3048
    return frames | {"legs": frame}


def spoil_connection(frames: Frames, chance: Chance) -> Frames:
    if "connections" not in frames:
        return frames
    frame = frames["connections"].astype({"joins": object, "invert_sewer_m": object})
    row = _row(frame, chance)
    frame.iloc[row, frame.columns.get_loc("joins")] = str(chance.choice(TEXTS))
    frame.iloc[row, frame.columns.get_loc("invert_sewer_m")] = chance.choice(NUMBERS)
    shapes = list(frame.geometry)
    shapes[row] = [None, shapely.Point(0, 0), shapely.LineString(), shapes[row]][chance.integers(4)]
    return frames | {"connections": frame.set_geometry(shapes, crs=frame.crs)}


MUTATIONS: tuple[Mutation, ...] = (
    move, turn_round, lose_shape, empty_shape, no_number, make_multi, make_area, add_height,
    shrink, set_number, set_text, swap_inverts, swap_pits, join_elsewhere, double_row, lose_row,
    lose_all, lose_column, add_column, shuffle, reproject, misname_system, in_feet,
    spoil_connection,
)  # fmt: skip


def spoil(frames: Frames, chance: Chance) -> tuple[Frames, list[str]]:
    """The design with one to four things spoiled, and what they were."""
    chosen = [MUTATIONS[i] for i in chance.integers(len(MUTATIONS), size=chance.integers(1, 5))]
    for change in chosen:
        frames = change(frames, chance)
    return frames, [change.__name__ for change in chosen]
