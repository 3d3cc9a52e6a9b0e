"""Projects spoiled at random are read in full, or refused with a message that helps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from planner.errors import InputError, PlannerError
from planner.inputs import read_site, report_inputs
from planner.model import LAYER_COLUMNS, Site
from tests.inputs.mutations import Spoiler, make_base

EXTRAS = (
    ("utilities",),
    ("utilities", "keep_out", "street_features"),
    ("boreholes", "zones"),
    ("control", "right_of_way"),
)
CHUNK = 125


@pytest.fixture(scope="session")
def spoilers(tmp_path_factory: pytest.TempPathFactory) -> list[Spoiler]:
    folder = tmp_path_factory.mktemp("base")
    return [Spoiler(make_base(folder / str(i), extra)) for i, extra in enumerate(EXTRAS)]


def run_chunk(spoilers: list[Spoiler], folder: Path, chunk: int, size: int) -> None:
    """Spoil and read ``size`` projects; each is read whole or refused helpfully."""
    for seed in range(chunk * size, (chunk + 1) * size):
        random = np.random.default_rng(seed)
        spoiler = spoilers[seed % len(spoilers)]
        project, done = spoiler.spoil(folder / str(seed), random)
        try:
            site = read_site(project)
        except PlannerError as refusal:
            require_help(refusal, f"seed {seed}: {done}")
        else:
            require_whole(site, f"seed {seed}: {done}")


def require_help(refusal: PlannerError, case: str) -> None:
    """The refusal says where, what and what to do, in characters that print."""
    message = str(refusal)
    assert message.isprintable(), case
    assert "file " in message, f"{case}: {message}"
    if isinstance(refusal, InputError):
        assert refusal.remedy, case
        assert refusal.found, case


def require_whole(site: Site, case: str) -> None:
    """Rows balance, every row that is not refused or ignored is there, and all is finite."""
    for layer in LAYER_COLUMNS:
        frame = getattr(site, layer)
        counts = site.row_counts.get(layer, {"read": 0, "used": 0, "repaired": 0})
        there = len(frame[["file", "row"]].drop_duplicates())
        assert counts["read"] == sum(v for k, v in counts.items() if k != "read"), case
        assert there == counts["used"] + counts["repaired"], f"{case}: {layer} {counts}"
        shapes = frame.geometry.to_numpy()
        assert np.isfinite(shapely.get_coordinates(shapes)).all(), case
        assert shapely.is_valid(shapes).all(), f"{case}: {layer}"
        assert tuple(frame.columns[:-1]) == (*LAYER_COLUMNS[layer], "row", "file"), case
    require_levels(site, case)
    assert report_inputs(site)["layers"] == site.row_counts, case
    assert all(entry.what.isprintable() for entry in site.ledger), case


def require_levels(site: Site, case: str) -> None:
    """Every service has one level and one size; every tie-in an invert."""
    services = site.utilities
    raised = shapely.has_z(services.geometry.to_numpy())
    assert (raised == services["depth_m"].isna().to_numpy()).all(), case
    heights = shapely.get_coordinates(services.geometry.to_numpy()[raised], include_z=True)
    assert np.isfinite(heights).all(), case
    size = services["outside_diameter_m"].fillna(services["width_m"] * services["height_m"])
    assert (size > 0).all(), case
    assert site.tie_ins["invert_elev_m"].notna().all(), case


@pytest.mark.parametrize("chunk", range(16))
def test_a_spoiled_project_is_read_whole_or_refused_with_help(
    spoilers: list[Spoiler], tmp_path: Path, chunk: int
) -> None:
    run_chunk(spoilers, tmp_path, chunk, CHUNK)


@pytest.mark.soak
@pytest.mark.parametrize("chunk", range(16, 160))
def test_many_spoiled_projects_are_read_whole_or_refused_with_help(
    spoilers: list[Spoiler], tmp_path: Path, chunk: int
) -> None:
    run_chunk(spoilers, tmp_path, chunk, CHUNK)
