"""The page of the map: folium's map without links, everything it needs inside, a hashed policy."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Mapping
from importlib import metadata, resources
from typing import Any

import folium
from branca.element import Element, Figure
from folium.template import Template

from planner.errors import OutputError

LEAFLET_DISTRIBUTION = "django-js-lib-leaflet"
OWN_SCRIPTS = (
    "map_data.js", "map_shapes.js", "map_draw.js", "map_placing.js", "map_labels.js",
    "map_column.js", "map_legend.js", "map_search.js", "map_start.js",
)  # fmt: skip
OWN_STYLES = ("map.css",)
SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)
POLICY = (
    "default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; "
    "connect-src 'none'; base-uri 'none'; form-action 'none'"
)


class Verbatim(Element):
    """Text that goes into the page as it is and is never read as a template."""

    _template = Template("{{ this.code }}")

    def __init__(self, code: str, name: str) -> None:
        super().__init__()
        self._id = name
        self.code = code


class OfflineMap(folium.Map):
    """Folium's map with no link to anywhere; its script is followed by ours."""

    default_js = []  # noqa: RUF012  (folium reads them from the class)
    default_css = []  # noqa: RUF012

    def __init__(self, script: str, location: tuple[float, float]) -> None:
        super().__init__(
            location=location,
            tiles=None,
            zoom_start=17,
            zoom_control=False,
            max_zoom=22,
            min_zoom=11,
            zoom_snap=0.5,
            zoom_delta=1,
            wheel_px_per_zoom_level=90,
            attribution_control=False,
        )
        self._id = "plan"
        self._script = script

    def render(self, **kwargs: Any) -> str:
        """Add the map to its figure, then our script after it."""
        super().render(**kwargs)  # type: ignore[no-untyped-call]
        figure_of(self).script.add_child(Verbatim(self._script, "drawing"))
        return ""


def figure_of(page: folium.Map) -> Figure:
    """Figure that folium puts its map into: head, body and script of the page."""
    figure = page.get_root()
    if not isinstance(figure, Figure):
        raise TypeError(f"folium gave {type(figure).__name__} for a figure")
    return figure


def make_page(title: str, islands: Mapping[str, Any], centre: tuple[float, float]) -> str:
    """Whole page as text.

    Parameters
    ----------
    title
        Title of the window.
    islands
        Data of the page by name; each becomes an element that no browser runs.
    centre
        Latitude and longitude where the map starts. [degrees]
    """
    page = OfflineMap(own_script(), centre)
    figure = figure_of(page)
    figure.title = html.escape(title)
    figure.header.add_child(Verbatim(f"<style>{leaflet_style()}</style>", "leaflet_style"))
    figure.header.add_child(Verbatim(f"<style>{own_text(OWN_STYLES)}</style>", "own_style"))
    figure.header.add_child(Verbatim(f"<script>{leaflet_script()}</script>", "leaflet_script"))
    figure.html.add_child(Verbatim(own_text(("map.html",)), "frame"))
    for name, content in islands.items():
        figure.html.add_child(Verbatim(make_island(name, content), f"island_{name}"))
    return seal_page(figure.render())


def make_island(name: str, content: Any) -> str:
    """Data that a script of the page reads and nothing else does."""
    text = json.dumps(content, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return f'<script type="application/json" id="data-{name}">{escape_island(text)}</script>'


def escape_island(text: str) -> str:
    """JSON without a character that could end the element around it."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def seal_page(page: str) -> str:
    """Page with its language, and with a policy that lets only its own scripts run."""
    policy = POLICY.format(scripts=hashes_of(SCRIPT, page), styles=hashes_of(STYLE, page))
    head = f'<head>\n<meta http-equiv="Content-Security-Policy" content="{policy}">'
    page = page.replace(", maximum-scale=1.0, user-scalable=no", "", 1)
    return page.replace("<html>", '<html lang="en">', 1).replace("<head>", head, 1)


def hashes_of(pattern: re.Pattern[str], page: str) -> str:
    """Hashes of all blocks that a pattern finds, as a policy names them."""
    digests = [hashlib.sha256(block.encode()).digest() for block in pattern.findall(page)]
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def own_script() -> str:
    """Our own script, all parts in one scope."""
    return f'(function () {{\n"use strict";\n{own_text(OWN_SCRIPTS)}}})();\n'


def own_text(names: tuple[str, ...]) -> str:
    """Text of our own assets, one after the other."""
    folder = resources.files("planner.outputs") / "assets"
    return "".join((folder / name).read_text(encoding="utf-8") for name in names)


def leaflet_bytes(name: str) -> bytes:
    """Content of one of Leaflet's files.

    Raises
    ------
    OutputError
        Where the distribution that carries Leaflet is not installed or lacks the file.
    """
    try:
        files = metadata.files(LEAFLET_DISTRIBUTION) or []
    except metadata.PackageNotFoundError as error:
        raise OutputError(missing_leaflet(name)) from error
    for file in files:
        if file.as_posix().endswith(f"/js_lib_leaflet/{name}"):
            return file.read_binary()
    raise OutputError(missing_leaflet(name))


def missing_leaflet(name: str) -> str:
    """What to do when Leaflet cannot be had."""
    return f"map.html needs {name} of {LEAFLET_DISTRIBUTION}: install {LEAFLET_DISTRIBUTION} again"


def leaflet_script() -> str:
    """Leaflet's script without the line that makes developer tools ask for a file."""
    text = leaflet_bytes("leaflet.js").decode("utf-8").replace("\r\n", "\n")
    lines = [line for line in text.split("\n") if "sourceMappingURL=" not in line]
    return "\n".join(lines).replace("</script", "<\\/script")


def leaflet_style() -> str:
    """Leaflet's style with its images inside."""
    text = leaflet_bytes("leaflet.css").decode("utf-8").replace("\r\n", "\n")
    return re.sub(r"url\(images/([\w.-]+)\)", image_url, text)


def image_url(match: re.Match[str]) -> str:
    """An image of Leaflet as a data address."""
    content = base64.b64encode(leaflet_bytes(f"images/{match.group(1)}")).decode("ascii")
    return f"url(data:image/png;base64,{content})"
