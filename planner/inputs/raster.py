"""Reads the window of the ground raster that the site needs."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError, ProjError
from rasterio.enums import MaskFlags
from rasterio.windows import Window

from planner.errors import InputError
from planner.inputs.crs import transform_note, transformer
from planner.inputs.ledger import Ledger, Source
from planner.inputs.project_file import GroundTable
from planner.inputs.units import VERTICAL_UNITS
from planner.inputs.vector import find_file
from planner.inputs.words import plain, printable
from planner.kernels.ground import fill_holes, find_small_holes, sample_cells, to_elevations
from planner.model import Floats, Frame, Ground

MESH_STEP = 50.0  # [m] between nodes where the raster has a CRS of its own
LOWEST, HIGHEST = -500.0, 9000.0  # [m] no street lies beyond: such a cell holds no elevation
HOLE_CELLS, HOLE_AREA = 25, 100.0  # largest hole that is filled: cells, and [m2]
SURE = 95  # per cent, from which a code that GDAL finds for a CRS is taken
OUTLINE_POINTS = 33  # along each side of the site's box when it is carried to the raster's CRS
UNIT_WORDS = {
    "m": ("m", "metre", "meter", "metres", "meters"),
    "ft": ("ft", "foot", "feet", "international foot"),
    "us-ft": ("us-ft", "ftus", "us survey foot", "ussurveyfoot", "foot_us", "us_survey_foot"),
}


@dataclass(frozen=True, eq=False)
class Raster:
    """The site's window of the ground raster, in metres, and where its cells lie."""

    source: Source
    values: Floats  # (rows, columns) [m]
    crs: CRS
    to_cells: Affine  # from the raster's CRS to cells; 0, 0 is the centre of the first

    def cells_of(self, crs: CRS, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Columns and rows of points that are given in a CRS."""
        way = transformer(crs, self.crs)
        if way is not None:
            x, y = way.transform(x, y, errcheck=False)
        return _apply(self.to_cells, np.asarray(x, float), np.asarray(y, float))

    def sample(self, crs: CRS, x: Floats, y: Floats) -> Floats:
        """Elevations at points that are given in a CRS. [m]"""
        col, row = self.cells_of(crs, x, y)
        return sample_cells(self.values, col, row)


def read_raster(base: Path, table: GroundTable, crs: CRS, bounds: Floats, ledger: Ledger) -> Raster:
    """Read the ground within a box of the project's CRS.

    Parameters
    ----------
    base, table
        Folder of the project file, and what it says of the ground.
    crs, bounds : (4,)
        The project's CRS, and the box: least x, y, largest x, y. [units of the CRS]
    ledger
        Takes what was doubted or repaired.

    Raises
    ------
    InputError
        The raster is missing, unreadable, without CRS, of several bands, in another unit than is
        stated, or does not reach the box.
    """
    source = Source("ground", printable(table.path))
    path = find_file(base, table.path, source)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.Env(GDAL_NUM_THREADS="ALL_CPUS"), rasterio.open(path) as file:
                return _read_window(file, source, table, (crs, bounds), ledger)
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise _refusal(
            source, f"the raster cannot be read ({plain(str(error))})",
            "Check that it is whole and of a raster format such as GeoTIFF; export it again",
        ) from None  # fmt: skip


def _read_window(
    file: Any, source: Source, table: GroundTable, box: tuple[CRS, Floats], ledger: Ledger
) -> Raster:
    crs = _require_surface(file, source, table)
    window = _window_of(file, crs, box, source)
    values: Floats = file.read(1, window=window, out_dtype="float64")
    if file.nodata is None and MaskFlags.all_valid not in file.mask_flag_enums[0]:
        values[file.read_masks(1, window=window) == 0] = np.nan
    unit = VERTICAL_UNITS[table.vertical_unit]
    scale = (file.scales[0] * unit, file.offsets[0] * unit)
    wild, gaps = to_elevations(values, _nodata(file), scale, (LOWEST, HIGHEST))
    if wild:
        what = (
            f"{wild} cells hold less than {LOWEST:g} m or more than {HIGHEST:g} m, which is no"
            " elevation: treated as nodata"
        )
        ledger.note(source, "doubt", (), what)
    kind, words = transform_note(box[0], crs)
    if kind:
        ledger.note(source, kind, (), words)
    cell = abs(file.transform.a * file.transform.e - file.transform.b * file.transform.d)
    area = cell * _square_metres(crs)
    if gaps:
        values = _fill_small_holes(values, area, source, ledger)
    a, b, c, d, e, f = (~file.transform)[:6]
    to_cells = Affine(a, b, c - window.col_off - 0.5, d, e, f - window.row_off - 0.5)
    return Raster(source, values, crs, to_cells)


def _apply(way: Affine, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    return way.a * x + way.b * y + way.c, way.d * x + way.e * y + way.f


def _require_surface(file: Any, source: Source, table: GroundTable) -> CRS:
    if file.count != 1:
        raise _refusal(source, f"the raster has {file.count} bands", "Give one with a single band")
    if file.dtypes[0].startswith("complex"):
        raise _refusal(source, "the raster holds complex numbers", "Give one with elevations")
    if file.crs is None:
        raise _refusal(
            source, "the raster states no coordinate reference system",
            "Write the CRS it is in into the file (it is not guessed)",
        )  # fmt: skip
    if file.transform.determinant == 0 or file.transform == Affine.identity():
        raise _refusal(
            source, "the raster is not georeferenced", "Give one that states where its cells lie"
        )
    try:
        crs = _crs_of(file)
    except CRSError as error:
        raise _refusal(
            source, f"its CRS is not known ({plain(str(error))})", "Save it with an EPSG code"
        ) from None
    _require_unit(file, crs, source, table)
    return crs.to_2d()


def _crs_of(file: Any) -> CRS:
    """The raster's CRS, by its EPSG code where it states one: names in a file may be its own."""
    code = file.crs.to_epsg(confidence_threshold=SURE)
    own = CRS.from_user_input(file.crs.to_wkt())
    if code is None or len(own.axis_info) > 2:
        return own
    return CRS.from_epsg(code)


def _require_unit(file: Any, crs: CRS, source: Source, table: GroundTable) -> None:
    """The unit that the project states does not contradict the one the file states."""
    stated = [str(file.units[0] or "")]
    if len(crs.axis_info) > 2:
        stated.append(crs.axis_info[2].unit_name)
    for words in stated:
        own = next((u for u, names in UNIT_WORDS.items() if words.strip().lower() in names), None)
        if own is not None and own != table.vertical_unit:
            raise _refusal(
                source,
                f'the file says its elevations are in "{own}", the project "{table.vertical_unit}"',
                "Correct `vertical_unit` in [ground], or the file",
                column="vertical_unit",
            )


def _window_of(file: Any, crs: CRS, box: tuple[CRS, Floats], source: Source) -> Window:
    project_crs, bounds = box
    x, y = _outline(bounds)
    try:
        way = transformer(project_crs, crs)
    except ProjError as error:
        raise _refusal(
            source, f"the project's CRS cannot be carried to the raster's ({error})",
            "Export the raster in the project's CRS",
        ) from None  # fmt: skip
    if way is not None:
        x, y = way.transform(x, y, errcheck=False)
    col, row = _apply(~file.transform, x, y)
    ends = [np.min(col), np.min(row), np.max(col), np.max(row)]
    if not np.isfinite(ends).all():
        raise _elsewhere(source)
    first = np.maximum(np.floor(ends[:2]) - 2, 0).astype(int)
    last = np.minimum(np.ceil(ends[2:]) + 2, [file.width, file.height]).astype(int)
    if (last <= first).any():
        raise _elsewhere(source)
    return Window(*(int(v) for v in (*first, *(last - first))))


def _outline(bounds: Floats) -> tuple[Floats, Floats]:
    along = np.linspace(0, 1, OUTLINE_POINTS)
    x = bounds[0] + (bounds[2] - bounds[0]) * along
    y = bounds[1] + (bounds[3] - bounds[1]) * along
    low, high = np.full_like(x, bounds[1]), np.full_like(x, bounds[3])
    left, right = np.full_like(y, bounds[0]), np.full_like(y, bounds[2])
    return np.concatenate([x, x, left, right]), np.concatenate([low, high, y, y])


def _nodata(file: Any) -> float:
    """The number that stands for no elevation, as the band's own type holds it; NaN for none."""
    if file.nodata is None:
        return np.nan
    with np.errstate(all="ignore"):
        return float(np.asarray(file.nodata).astype(file.dtypes[0]))


def _fill_small_holes(values: Floats, cell_area: float, source: Source, ledger: Ledger) -> Floats:
    most = int(min(HOLE_CELLS, HOLE_AREA // cell_area))
    small = find_small_holes(values, most)
    if small.any():
        what = (
            f"{int(small.sum())} cells without elevation, in holes of at most {most} cells, are"
            " filled with the smoothest surface over their rims (Laplace)"
        )
        ledger.note(source, "repaired", (), what)
        values = fill_holes(values, small)
    left = int(np.isnan(values).sum())
    if left:
        what = f"{left} cells near the site have no elevation; no leg may lie over them"
        ledger.note(source, "doubt", (), what)
    return values


def _square_metres(crs: CRS) -> float:
    """Square metres of one square unit of a CRS, near enough to tell a small hole."""
    unit = float(crs.axis_info[0].unit_conversion_factor)
    return (unit * 6_371_000.0) ** 2 if crs.is_geographic else unit**2


def make_ground(raster: Raster, frame: Frame, bounds: Floats) -> Ground:
    """The raster with its mesh from the local frame.

    Parameters
    ----------
    raster, frame
        The window that was read, and the site's frame.
    bounds : (4,)
        Box that the mesh must cover: least x, y, largest x, y. [m, local]
    """
    across, up = bounds[2] - bounds[0], bounds[3] - bounds[1]
    same = transformer(frame.crs, raster.crs) is None
    step = max(across, up, 1.0) if same else MESH_STEP
    cols, rows = int(np.ceil(across / step)) + 1, int(np.ceil(up / step)) + 1
    x = bounds[0] + step * np.arange(max(cols, 2))
    y = bounds[1] + step * np.arange(max(rows, 2))
    grid_x, grid_y = (g.ravel() for g in np.meshgrid(x, y))
    col, row = raster.cells_of(frame.crs, *frame.to_crs(grid_x, grid_y))
    shape = (len(y), len(x))
    mesh_col, mesh_row = col.reshape(shape), row.reshape(shape)
    return Ground(
        values=np.ascontiguousarray(raster.values),
        mesh_x0=float(bounds[0]),
        mesh_y0=float(bounds[1]),
        mesh_step=float(step),
        mesh_col=mesh_col,
        mesh_row=mesh_row,
        cell=_cell_side(mesh_col, mesh_row, step),
    )


def _cell_side(mesh_col: Floats, mesh_row: Floats, step: float) -> float:
    """Smaller side of a cell on the ground: the inverse of the mapping's stronger direction. [m]"""
    forward = np.array(
        [
            [mesh_col[0, 1] - mesh_col[0, 0], mesh_col[1, 0] - mesh_col[0, 0]],
            [mesh_row[0, 1] - mesh_row[0, 0], mesh_row[1, 0] - mesh_row[0, 0]],
        ]
    )
    sides = np.hypot(*(np.linalg.inv(forward / step)))
    return float(sides.min())


def _elsewhere(source: Source) -> InputError:
    return _refusal(
        source,
        "the raster does not reach the streets",
        "Give ground that covers the site, or correct the CRS of the raster or of the streets",
    )


def _refusal(source: Source, found: str, remedy: str, **place: Any) -> InputError:
    return InputError(found, remedy, file=source.file, layer=source.layer, **place)
