"""Findings and the work zone on the map: conflicts, test holes, closed lanes, plant."""

from __future__ import annotations

from planner.outputs.display import DAGGER, is_absent
from planner.outputs.map_features import Field, Layer, Pen, make_features
from planner.outputs.map_look import HATCH_ANGLES

CONFLICT_FIELDS = (
    Field("subject", "Of", "link"),
    Field("utility_id", "With", "link"),
    Field("kind", "Kind"),
    Field("owner", "Owner"),
    Field("quality", "Quality level"),
    Field("rule", "Rule"),
    Field("measure", "Measured"),
    Field("clearance_m", "Clearance", "clearance"),
    Field("required_m", "Required", "clearance"),
    Field("station_m", "Station from the lower pit", "length"),
    Field("severity", "Severity"),
    Field("strike_probability", "Probability of a strike", "share"),
    Field("resolution", "Resolution", "prose"),
    Field("options", "Ways out", "prose"),
    Field("status", "Status"),
)
TEST_HOLE_FIELDS = (
    Field("utility_id", "Exposes", "link"),
    Field("subject", "For", "link"),
    Field("priority", "Priority", "count"),
    Field("mandatory", "Mandatory", "yes"),
    Field("why", "Why", "prose"),
    Field("expected_top_elev_m", "Top expected at", "level"),
    Field("worth_ratio", "Worth / price", "ratio"),
    Field("cost", "Cost", "money"),
)
CLOSURE_FIELDS = (
    Field("pit_id", "For pit", "link"),
    Field("street", "Street"),
    Field("lanes_closed", "Lanes closed", "count"),
    Field("control", "Control"),
    Field("approach", "Approach"),
    Field("area", "Part"),
    Field("period", "Period"),
    Field("open_width_m", "Left open", "width"),
    Field("start_day", "From", "day"),
    Field("end_day", "To", "day"),
)
PLANT_FIELDS = (
    Field("component", "Component"),
    Field("leg_id", "For leg", "link"),
    Field("pit_id", "At pit", "link"),
)


def conflict_layer(pen: Pen) -> Layer:
    """Rings where something is closer than it may be, with the clearance beside them."""
    layer = Layer("conflict", "Conflict", 4, CONFLICT_FIELDS, focus=True)
    rows = pen.plan.conflicts
    drawn = rows["severity"].where(rows["severity"].isin(["clash", "tight"]), "unproven")
    for severity in ("clash", "tight", "unproven"):
        part = rows[drawn == severity]
        features = make_features(pen, part, "conflict_id", CONFLICT_FIELDS)
        place = [item.column for item in CONFLICT_FIELDS].index("clearance_m")
        assumed = assumed_services(pen)
        for feature, service in zip(features, part["utility_id"].tolist(), strict=True):
            if service in assumed:
                feature["values"][place] += f" {DAGGER}"
                feature["rests"] = f"{DAGGER} the level of this service is assumed"
            feature["label"] = feature["values"][place]
        houses = set(pen.plan.connections["connection_id"])
        for advice in (False, True):
            of_house = [name in houses and severity == "tight" for name in part["subject"]]
            some = [f for f, house in zip(features, of_house, strict=True) if house == advice]
            if some:
                style = f"conflict-{severity}-house" if advice else f"conflict-{severity}"
                layer.add(style, [f"conflict-{severity}"], some)
    return layer


def assumed_services(pen: Pen) -> set[str]:
    """Identifiers of the services whose level is assumed."""
    services = pen.plan.site.utilities
    return (
        set(services.loc[services["level_assumed"].eq(other=True), "utility_id"])
        if len(services)
        else set()
    )


def test_hole_layer(pen: Pen) -> Layer:
    """Numbered triangles where a service is to be exposed."""
    layer = Layer("test_hole", "Test hole", 6, TEST_HOLE_FIELDS, focus=True)
    rows = pen.plan.test_holes
    if not len(rows):
        return layer
    must = rows["mandatory"].eq(other=True)
    for style, part in (("test-hole-mandatory", rows[must]), ("test-hole", rows[~must])):
        features = make_features(pen, part, "test_hole_id", TEST_HOLE_FIELDS)
        for feature, number in zip(features, part["priority"].tolist(), strict=True):
            if not is_absent(number):
                feature["letter"] = f"{int(number)}"
        layer.add(style, [style], features)
    return layer


def closure_layer(pen: Pen) -> Layer:
    """Closed lanes, hatched by part; what stays open is left white, its width written."""
    layer = Layer("closure", "Lane closure", 70, CLOSURE_FIELDS)
    rows = pen.plan.lane_closures
    drawn = rows["area"].where(rows["area"].isin(list(HATCH_ANGLES)), "work space")
    for area in HATCH_ANGLES:
        part = rows[drawn == area]
        features = make_features(pen, part, "closure_id", CLOSURE_FIELDS)
        for feature, width in zip(features, part["open_width_m"].tolist(), strict=True):
            if area == "work space" and not is_absent(width):
                feature["label"] = f"{pen.show.text('width', width)} open"
        layer.add(f"closure-{area}", [f"closure-{area}"], features)
    return layer


def plant_layer(pen: Pen) -> Layer:
    """Plant beside a pit while a drive is made."""
    layer = Layer("equipment", "Plant", 20, PLANT_FIELDS)
    rows = pen.plan.equipment
    if len(rows):
        layer.add("equipment", ["equipment"], make_features(pen, rows, "component", PLANT_FIELDS))
    return layer
