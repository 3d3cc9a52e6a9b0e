"""The words of `docs/inputs.md`: what each layer and each column is."""

from __future__ import annotations

HEAD = """\
# Inputs

Made from the code that reads them, by `python -m planner.inputs.page > docs/inputs.md`; change
that, not this page. What a message means, and what to do, stands in [errors.md](errors.md).

Nothing is guessed: the CRS, the vertical datum and the vertical unit are three declarations.
Nothing is lost: every row that is read is used, used after a repair, refused or ignored, and each
of the last three is said, with every default and every doubt, in `pitline inputs`, in `plan.json`
and on the map. A plan is only as good as the records behind it: they do not replace a survey, a
one-call ticket or a test hole.

## The project file

TOML. Paths are relative to the project file. Required tables: `project`, `ground`, `streets`,
`properties`, `tie_ins`. `[[utilities]]` may stand as often as there are files.

| table | key | what |
|---|---|---|
| `[project]` | `name` | free text |
| | `crs` | projected CRS in m, ft or us-ft, axes east and north, true to 1 in 1,000 at the site |
| | `display_units` | `us` or `metric`; what people see (files hold SI) |
| | `vertical_datum` | free text, printed wherever an elevation is shown |
| | `agency` `number` `designer` | optional, printed |
| | `date` | optional; `until` and `no_cut_until` are compared with it |
| | `start_date` | optional; without it days are numbers |
| `[ground]` | `path` | single-band raster in any CRS |
| | `vertical_unit` | `m`, `ft` or `us-ft`; required |
| | `vertical_datum` | optional; another than the project's is refused |
| every vector layer | `path` | any vector file that GDAL opens through pyogrio |
| | `layer` | which layer of the file; needed where it has several and none is called as the table |
| | `fields` | columns under other names or in other units, see below |
| | `vertical_datum` | optional; another than the project's is refused |
| | `vertical_unit` | unit of Z, default `m` |
| | `use_z` | `false` where Z is no level |
| | `encoding` | of the text, where the file does not say it |
| `[[utilities]]` | `kind` | kind of every row of the file; without it the column `kind` |

A field mapping is the name of the file's column, a name with a unit, or `false` (not read):

```toml
[utilities.fields]
diameter_m = {{ column = "DIA_IN", unit = "in" }}
owner = "OPERATOR"
depth_m = false
```

Units: {units}. Names of columns are met whatever their case, and in shapefiles also when cut to 10
letters. A column that is called nearly as one that is absent is doubted.

In every numeric column -9999, 9999, -999, +-99999, +-999999, -32768 and numbers beyond 1e30 stand
for "not known"; so does 0 where the table says "not 0". A value outside what is believed, or of the
wrong form, is treated as absent and listed by row.

## Settled beforehand

`[layout]` forces or shuts streets, directions, tie-ins and pits; what that costs is shown.

| key | what |
|---|---|
| `carry` | names of streets that get a sewer from end to end |
| `forbid` | names of streets that get none; their properties are not served |
| `flow` | street = `"as drawn"` or `"against"`: which way it flows along its line |
| `tie_ins` | the only tie-ins that may be used |
| `no_tie_ins` | tie-ins that are not used |
| `pits` | points `[x, y]` in the CRS: where the sewer passes, a pit stands within 3 m of each |

To keep pits or legs out of a place, draw it in `keep_out`.

## Where things lie

- Every layer is carried from its own CRS to the project's with PROJ, then to metres on the ground
  about the site's centre, rounded to 0.1 mm. The accuracy of the way is said where it is above 1 m.
- A layer of which nothing lies within 5 km of the streets is refused as being elsewhere.
- The site reaches 60 m beyond the box of streets, properties and tie-ins (those within 300 m of the
  streets). Services, keep-outs, features and zones beyond are ignored, and said.
- Several parts of a row are all used (of a property, tie-in, borehole or control point the largest
  or first), lines without length are left out, polygons that cross themselves are made valid.

## The ground

Only the site's window of the raster is read; the raster is never warped. Between the centres of
cells it is bilinear; over the outer half cell of the raster the edge cells hold. Scale, offset,
nodata and masks of the band are honoured. Cells below -500 m or above 9,000 m hold no elevation.
A hole of at most 25 cells and 100 m2 that does not touch the window's edge is filled with the
smoothest surface over its rim (each cell the mean of its four neighbours). Larger holes stay, are
said, and no leg may lie over them.

## Layers
"""

LAYERS = {
    "streets": (
        "Centrelines. An end within 1 m of another street's vertex moves onto it, else one within"
        " 1 m of another street's inside moves there and that street gets a vertex. Streets that"
        " cross without a shared vertex have no junction, and that is doubted. Two that are nowhere"
        " more than 1 m apart are one street drawn twice; two opposed one-way halves become one"
        " street with the lanes of both. A street that closes or touches itself is cut there."
    ),
    "right_of_way": (
        "Optional. Where it is absent, the right of way is the centrelines buffered by half their"
        " `row_width_m`. No columns."
    ),
    "utilities": (
        "Buried services. The level is ONE of `top_elev_m`, `centre_elev_m`, `invert_elev_m`,"
        " `depth_m` or Z (the outside top); a service without any takes the usual depth of its kind"
        " and is listed. Two elevations that differ by more than 0.05 m are refused, and so are an"
        " elevation and a depth that differ by more than 0.5 m. A top more than 0.10 m above the"
        " ground or more than 15 m below it is not believed. A service that is equal in everything"
        " to another is ignored. An abandoned service stays an obstacle."
    ),
    "properties": (
        "Each needs a connection. A floor more than 15 m above or below the ground is not believed."
        " An area upstream enters as a property too: a point beside the sewer where its pipe will"
        " join, its average flow as `flow_l_per_s`, and as `floor_elev_m` the invert of its pipe"
        " plus `connection_floor_drop_m`. Growth is the rule `future_people_factor`, which holds"
        " for people and flows; water that leaks into the new pipes is"
        " `infiltration_l_per_s_per_km_per_mm`."
    ),
    "tie_ins": (
        "Existing manholes that the new sewer may drain into. A tie-in belongs to the nearest"
        " street within 30 m. An invert above the ground, or more than 30 m below it, is refused;"
        " one more than 15 m below it is doubted."
    ),
    "keep_out": "Where something must not be. One whose `until` lies before `date` is ignored.",
    "street_features": "What stands in or beside the street, and the distance to keep from it.",
    "boreholes": "One row a layer of soil.",
    "zones": "Areas with rules of their own.",
    "control": (
        "Survey marks on the ground. Marks more than 0.5 m off the ground are doubted; more than"
        " 30 m, not believed."
    ),
}

WHAT = {
    "street": "name",
    "properties.street": "street that must serve it",
    "properties.street absent": "the nearest street",
    "lanes": "lanes, both directions",
    "lane_width_m": "width of a lane",
    "row_width_m": "width of the right of way",
    "row_width_m absent": "lanes x lane width + 6 m",
    "parking_left_m": "parking lane, left as drawn",
    "parking_right_m": "parking lane, right as drawn",
    "footway_width_m": "footway, each side",
    "speed_kmh": "speed limit",
    "one_way": "traffic in one direction",
    "road_class": "class",
    "vehicles_per_day": "traffic",
    "bus_route": "buses run here",
    "no_cut_until": "pavement must not be cut until this date",
    "sewer": "whether a sewer may lie here",
    "utility_id": "name",
    "utility_id absent": "`file:row`, also where it is doubled",
    "utilities.kind": "kind",
    "owner": "owner",
    "material": "material",
    "diameter_m": "outside diameter; of sewer and storm inside",
    "diameter_m absent": "the usual outside of its kind",
    "wall_m": "wall of the pipe",
    "wall_m absent": "sewer and storm: D/12 + 25 mm from 300 mm up, 8 mm below; others: none",
    "width_m": "width of a duct bank",
    "width_m absent": "as high as wide, where one is stated",
    "height_m": "height of a duct bank",
    "top_elev_m": "elevation of the outside top",
    "centre_elev_m": "elevation of the axis",
    "utilities.invert_elev_m": "elevation of the inside bottom",
    "depth_m": "ground to outside top",
    "depth_m absent": "without any level the usual depth of its kind",
    "quality": "quality level of the record",
    "status": "status",
    "property_id": "name",
    "property_id absent": "`file:row`, also where it is doubled",
    "people": "people",
    "people absent": "2.5 where no flow is stated either",
    "flow_l_per_s": "average flow, in place of people",
    "floor_elev_m": "lowest floor to drain",
    "floor_elev_m absent": "the ground there",
    "tie_in_id": "name",
    "tie_in_id absent": "`file:row`, also where it is doubled",
    "tie_ins.invert_elev_m": "invert of the manhole's outlet",
    "rim_elev_m": "rim of the manhole; doubted when more than 0.5 m off the ground",
    "outlet_diameter_mm": "inside diameter of the outlet",
    "outlet_bearing_deg": "bearing of the outlet from north, clockwise",
    "manhole_diameter_m": "inside diameter of the manhole",
    "high_water_elev_m": "highest water level in it",
    "spare_l_per_s": "flow it can still take",
    "may_launch": "a drive may be launched from it",
    "reason": "why",
    "applies_to": "what must keep out, comma-separated",
    "until": "in force to this date",
    "until absent": "for ever",
    "street_features.kind": "kind",
    "street_features.kind absent": "kept, and doubted",
    "name": "name",
    "clear_m": "distance to keep",
    "clear_m absent": "that of its kind",
    "borehole_id": "name",
    "top_depth_m": "ground to the top of the layer",
    "bottom_depth_m": "ground to its bottom",
    "soil": "USCS symbol",
    "n_value": "blows of the standard penetration test",
    "groundwater_depth_m": "ground to the water",
    "min_cover_m": "least cover",
    "frost_depth_m": "depth of frost",
    "casing_required": "bores must be cased",
    "allowed_hours": "hours of work",
    "elev_m": "elevation of the mark",
}

TAIL = """\
## Vertical datums

Elevations are compared with the ground before they are used. With at least five points:

- elevations that are 3.28 times the ground (or 0.305 times), to 3 %, are refused as feet read as
  metres (or the reverse), where the ground is above 30 m;
- a median above what is possible with a spread under 2 m is one offset, a datum jump, and the layer
  is refused with the number of points, the median and the spread. Possible are: tops of services
  0.5 m above the ground to 15 m below, floors 15 m above to 15 m below, marks 2 m off;
- a median more than 3 m from what is typical (services 1.5 m down, floors and marks at the ground)
  with a spread under 0.5 m is doubted.

The spread is 1.4826 times the median distance from the median.

## Rules, equipment, costs, traffic

Each key may be set in its table of the project file; `set` in `[rules]` picks the rule set, by
default `us-ten-states` for us units and `eu-metric` for metric. A rule that is a table may be set
to one number, for all, or to a table, for some. Sources stand in the page of rules.
"""
