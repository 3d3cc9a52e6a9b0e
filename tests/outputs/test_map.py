"""The map's page as text: whole, closed to the outside, the same twice, true to the plan."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer
from rasterio.io import MemoryFile

from planner.model import PLAN_COLUMNS, Plan
from planner.outputs.map import draw_map
from planner.outputs.map_ground import contour_interval, cut_triangles, encode_png, shade
from planner.outputs.map_look import QUALITY_DASHES, SERVICE_COLOURS
from planner.outputs.map_page import leaflet_bytes, leaflet_script
from tests.outputs.payloads import PAYLOADS
from tests.outputs.plan_fixture import FRAME, make_fixture_plan, with_text

ISLAND = re.compile(r'<script type="application/json" id="data-(\w+)">(.*?)</script>', re.DOTALL)
LEAFLET_SHA256 = "20nQCchB9co0qIjJZRGuk2/Z9VM+kNiyxNV1lvTlZBo="


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.fixture(scope="module")
def page(plan: Plan) -> str:
    return draw_map(plan)


def islands(page: str) -> dict[str, Any]:
    return {name: json.loads(text) for name, text in ISLAND.findall(page)}


def layers(page: str) -> dict[str, Any]:
    return {layer["id"]: layer for layer in islands(page)["layers"]}


def features(page: str, layer: str) -> list[dict[str, Any]]:
    return [feature for part in layers(page)[layer]["sets"] for feature in part["features"]]


def value(page: str, layer: str, name: str, label: str) -> str:
    found = next(feature for feature in features(page, layer) if feature["id"] == name)
    return str(found["values"][layers(page)[layer]["labels"].index(label)])


def degrees(page: str, steps: list[int]) -> np.ndarray[Any, Any]:
    origin = np.array(islands(page)["page"]["origin"])
    return origin + np.cumsum(np.array(steps).reshape(-1, 2), axis=0) / 1e8


def test_the_same_plan_gives_the_same_page_byte_for_byte(page: str) -> None:
    assert draw_map(make_fixture_plan()) == page


def test_nothing_in_the_page_leads_outside(page: str) -> None:
    hosts = set(re.findall(r"https?://([\w.-]+)", page))
    # a name space, Leaflet's licence, and remarks in Leaflet's style: none is ever asked
    assert hosts <= {"www.w3.org", "leafletjs.com", "bugs.chromium.org", "bugzilla.mozilla.org"}
    assert not re.search(r"<link|<iframe|@import|sourceMappingURL|\ssrc=", page)
    assert all(url.startswith(("data:", "#")) for url in re.findall(r"url\(['\"]?([^)$]+)", page))


def test_the_policy_names_exactly_the_scripts_of_the_page(page: str) -> None:
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digests = [
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts
    ]
    policy = re.search(r"script-src ([^;]*);", page)
    assert policy is not None
    assert policy.group(1) == " ".join(f"'sha256-{digest}'" for digest in digests)
    assert page.count("<script") == len(scripts) + len(ISLAND.findall(page))


def test_leaflet_is_the_release_whose_hash_is_known() -> None:
    # integrity value that Leaflet publishes for its 1.9.4 (from memory)
    digest = hashlib.sha256(leaflet_bytes("leaflet.js")).digest()
    assert base64.b64encode(digest).decode() == LEAFLET_SHA256
    assert "@preserve" in leaflet_script().splitlines()[0] + leaflet_script().splitlines()[1]


@pytest.mark.parametrize("payload", PAYLOADS)
def test_hostile_text_is_data_and_nothing_else(plan: Plan, page: str, payload: str) -> None:
    spoiled = draw_map(with_text(plan, payload))
    assert spoiled.count("<script") == page.count("<script")
    assert islands(spoiled)["page"]["name"] == payload
    assert value(spoiled, "leg", payload, "Street") == payload
    assert islands(spoiled)["ledger"][0][1] == payload


def test_every_row_of_the_plan_is_on_the_map(plan: Plan, page: str) -> None:
    shown = {"pits": "pit", "legs": "leg", "connections": "connection", "conflicts": "conflict",
             "test_holes": "test_hole", "equipment": "equipment",
             "lane_closures": "closure"}  # fmt: skip
    for name, layer in shown.items():
        rows = getattr(plan, name)
        count = len(rows[rows["kind"] != "tie-in"]) if name == "pits" else len(rows)
        assert len(features(page, layer)) == count, name


def test_every_row_of_the_site_is_on_the_map(plan: Plan, page: str) -> None:
    shown = {"streets": "street", "utilities": "service", "properties": "property",
             "tie_ins": "tie_in", "keep_out": "keep_out", "street_features": "feature",
             "zones": "zone", "control": "control"}  # fmt: skip
    for name, layer in shown.items():
        assert len(features(page, layer)) == len(getattr(plan.site, name)), name


def test_a_pit_box_lies_where_the_plan_says_to_a_centimetre(plan: Plan, page: str) -> None:
    outline = features(page, "pit")[0]["at"][0][0]
    back = Transformer.from_crs("EPSG:4326", FRAME.crs, always_xy=True)
    x, y = back.transform(*degrees(page, outline).T)
    name = features(page, "pit")[0]["id"]
    frame = plan.pit_footprints.set_index("pit_id").geometry
    wanted = np.array(frame[name].exterior.coords)
    assert np.hypot(x - wanted[:, 0], y - wanted[:, 1]).max() < 0.01


def test_a_service_in_the_local_frame_comes_to_its_place_in_the_crs(plan: Plan, page: str) -> None:
    line = next(item for item in features(page, "service") if item["id"] == "E9")["at"][0]
    row = plan.site.utilities.set_index("utility_id").geometry["E9"]
    # by hand: CRS = origin + local x k, for a CRS in metres
    easting, northing = 424_000 + row.coords[0][0] * 0.9996, 5_150_000 + row.coords[0][1] * 0.9996
    back = Transformer.from_crs("EPSG:4326", FRAME.crs, always_xy=True)
    x, y = back.transform(*degrees(page, line)[0])
    assert np.hypot(x - easting, y - northing) < 0.01


def test_labels_say_size_slope_and_length_in_the_units_asked_for(page: str) -> None:
    labels = {feature["id"]: feature["label"] for feature in features(page, "leg")}
    # L1 from (-40, -6.6) to (-104, -17): hypot(64, 10.4) = 64.839 m = 212.73 ft
    assert labels["L1"] == "L1  8 in  0.52 %  212.7 ft"
    metric = draw_map(make_fixture_plan("metric"))
    assert features(metric, "leg")[0]["label"].startswith("L1  200 mm  0.5")
    assert features(metric, "leg")[0]["label"].endswith(" 64.8 m")


def test_a_figure_that_was_assumed_carries_a_dagger(page: str) -> None:
    assert value(page, "service", "G101", "Depth to its top") == "3.9 ft †"
    assert value(page, "service", "W100", "Depth to its top") == "3.9 ft"
    assert value(page, "conflict", "K3", "Clearance") == "2.62 ft †"


def test_doubts_and_repairs_are_marked_where_their_row_is(page: str) -> None:
    marked = {feature["id"]: feature["values"][0] for feature in features(page, "ledger")}
    assert marked == {
        "utilities row 7": "invert 9999 is no elevation and counts as absent",
        "streets row 2": "met Tannery Road 4 mm short of it and was moved",
    }


def test_what_cannot_be_located_is_listed_in_the_overview(page: str) -> None:
    blocks = {block["title"]: block for block in islands(page)["overview"]}
    assert blocks["Inputs: Refused"]["rows"] == [["properties, row 15", "has no geometry"]]


def test_properties_that_are_not_served_say_why_in_the_units_asked_for(page: str) -> None:
    assert value(page, "property", "H12", "Served") == "no"
    said = "floor too low by 4.33 ft for the sewer in Tannery Road"  # 1.32 / 0.3048
    assert value(page, "property", "H12", "Why not") == said


def test_an_empty_layer_is_not_in_the_legend(plan: Plan) -> None:
    empty = {name: getattr(plan, name).iloc[:0] for name in PLAN_COLUMNS}
    bare = islands(draw_map(replace(plan, **empty)))
    names = {entry["id"] for entry in bare["legend"]}
    assert "property-unserved" in names
    assert not names & {
        "leg",
        "pit-launch",
        "pit-exit",
        "connection",
        "conflict-clash",
        "equipment",
    }


def test_the_gap_is_told_only_when_it_is_known(plan: Plan, page: str) -> None:
    known = {
        "cost": 100,
        "lower_bound": 98,
        "gap_pct": 2.0,
        "scope": "over these",
        "not_bounded": [],
    }
    told = draw_map(replace(plan, summary={**plan.summary, "optimality": known}))
    titles = [[block["title"] for block in islands(text)["overview"]] for text in (page, told)]
    assert ["How good it is" in found for found in titles] == [False, True]


def test_the_page_stays_small(plan: Plan, page: str) -> None:
    assert len(page) < 400 * 1024
    told = sum(len(json.dumps(features(page, name))) for name in ("service", "property", "street"))
    rows = len(plan.site.utilities) + len(plan.site.properties) + len(plan.site.streets)
    assert told / rows < 320  # about a quarter of a KiB a feature


def luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("kind", SERVICE_COLOURS)
def test_marking_colours_stand_three_to_one_on_white(kind: str) -> None:
    # W3C WCAG 2.2, definition of contrast ratio: (L1 + 0.05) / (L2 + 0.05)
    assert 1.05 / (luminance(SERVICE_COLOURS[kind]) + 0.05) >= 3


def test_each_quality_level_has_a_line_of_its_own() -> None:
    assert len(set(QUALITY_DASHES.values())) == len(QUALITY_DASHES) == 4


def test_level_ground_is_shaded_evenly_and_a_slope_to_the_light_is_brighter() -> None:
    across, down = np.meshgrid(np.arange(9.0), np.arange(9.0))
    flat, lit, dark = (shade(down * tilt - across * -tilt, 1, 1) for tilt in (0.0, 0.1, -0.1))
    assert np.ptp(flat) == 0
    assert lit.mean() > flat.mean() > dark.mean()


def test_a_contour_of_a_plane_is_the_line_where_it_has_the_level() -> None:
    triangle = np.array([[[0.0, 0.0, 10.0], [1.0, 0.0, 11.0], [1.0, 1.0, 11.0]]])
    ends = cut_triangles(triangle, 10.25)[0]
    assert np.allclose(ends[:, 0], 0.25)  # z = 10 + x
    assert contour_interval(9.0, 1.0) == 1.0


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_the_shading_is_a_png_that_a_library_can_read() -> None:
    tones = np.array([[0, 1], [2, 1]], dtype=np.uint8)
    palette = np.array([[9, 9, 9], [10, 20, 30], [40, 50, 60]])
    with MemoryFile(encode_png(tones, palette)) as file, file.open() as image:
        assert image.read(1).tolist() == tones.tolist()
        assert image.colormap(1)[2] == (40, 50, 60, 255)
        assert image.colormap(1)[0][3] == 0
