"""Designs wrong in every way get findings or a refusal in words, never a crash."""

from __future__ import annotations

import numpy as np
import pytest

import planner
from planner.model import PLAN_COLUMNS
from planner.outputs.files import plan_text
from planner.outputs.geopackage import typed
from tests.check.drawn import Frames, check, drawn_frames, drawn_site
from tests.check.mutations import spoil

EACH = 12  # designs of a seed


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> planner.Site:
    return drawn_site(tmp_path_factory.mktemp("site"))


@pytest.mark.parametrize("seed", range(25))
def test_a_spoiled_design_is_judged_or_refused(site: planner.Site, seed: int) -> None:
    whole = check(site, drawn_frames())
    full = {"pits": whole.pits, "legs": whole.legs, "connections": whole.connections}
    for number in range(EACH):
        chance = np.random.default_rng([seed, number])
        frames, spoiled = spoil(full if number % 2 else drawn_frames(), chance)
        judged = _judge(site, frames)
        if isinstance(judged, planner.InputError):
            assert judged.layer in frames, spoiled
            assert judged.remedy, spoiled
        else:
            _require_whole(judged, spoiled)


def _judge(site: planner.Site, frames: Frames) -> planner.Plan | planner.InputError:
    try:
        return check(site, frames)
    except planner.InputError as error:
        return error


def _require_whole(plan: planner.Plan, spoiled: list[str]) -> None:
    """Every layer can be written, names are unique, and a breach shows in the status."""
    assert plan_text(plan), spoiled
    for layer, columns in PLAN_COLUMNS.items():
        assert tuple(typed(getattr(plan, layer), layer).columns[:-1]) == columns, spoiled
    assert plan.pits["pit_id"].is_unique, spoiled
    assert plan.legs["leg_id"].is_unique, spoiled
    wrong = [row for row in plan.summary["breaches"] if row["severity"] == "breach"]
    assert (plan.summary["status"] != "ok") == bool(wrong or not plan.connections["served"].all())
    assert all(row["remedy"] for row in plan.summary["breaches"]), spoiled
