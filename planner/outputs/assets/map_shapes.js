// Shapes that Leaflet has not: marks of a fixed size, boxes with a least size, flow arrows.

function circlePath(x, y, r) {
  return `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`;
}

function squarePath(x, y, r) {
  return `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}Z`;
}

function crossPath(x, y, r) {
  return `M${x - r} ${y - r}l${2 * r} ${2 * r}M${x + r} ${y - r}l${-2 * r} ${2 * r}`;
}

const MARKS = {
  disc: circlePath,
  ring: circlePath,
  square: squarePath,
  cross: crossPath,
  clash: circlePath,
  crossed: (x, y, r) => circlePath(x, y, r) + crossPath(x, y, r * 0.7),
  "crossed-square": (x, y, r) => squarePath(x, y, r) + crossPath(x, y, r),
  diamond: (x, y, r) => `M${x} ${y - r}L${x + r} ${y}L${x} ${y + r}L${x - r} ${y}Z`,
  triangle: (x, y, r) => `M${x} ${y - r}L${x + r} ${y + r * 0.75}L${x - r} ${y + r * 0.75}Z`,
  flag: (x, y, r) => `M${x} ${y}l${-r * 0.55} ${-r}h${-r * 0.4}v${-r * 1.5}h${r * 1.9}v${r * 1.5}h${-r * 0.4}Z`,
  quartered: (x, y, r) => circlePath(x, y, r) + `M${x - r} ${y}h${2 * r}M${x} ${y - r}v${2 * r}`,
  target: (x, y, r) => `M${x} ${y - r}L${x + r} ${y + r * 0.8}L${x - r} ${y + r * 0.8}Z` + circlePath(x, y + r * 0.2, 0.8),
  tree: (x, y, r) => circlePath(x, y, r) + circlePath(x, y, 0.9),
  "tie-in": (x, y, r) => circlePath(x, y, r) + circlePath(x, y, r * 0.38),
};

function roundPixel(value) {
  return Math.round(value * 10) / 10;
}

function ringPath(ring) {
  return "M" + ring.map((point) => roundPixel(point.x) + " " + roundPixel(point.y)).join("L") + "Z";
}

// A box of true size; where that is too small to be seen, a square of the least size.
function boxPath(layer) {
  const size = layer._pxBounds ? layer._rawPxBounds.getSize() : { x: 0, y: 0 };
  const least = layer.options.least;
  if (Math.max(size.x, size.y) >= least) return layer._rings.map(ringPath).join("");
  const centre = layer._map.latLngToLayerPoint(layer.options.centre);
  return squarePath(roundPixel(centre.x), roundPixel(centre.y), least / 2);
}

function arrowPath(layer) {
  const points = layer._rings[0];
  const start = points[0];
  const end = points[points.length - 1];
  const length = start.distanceTo(end);
  if (length < layer.options.least) return "M0 0";
  const along = end.subtract(start).divideBy(length);
  const across = L.point(-along.y, along.x);
  const middle = start.add(end).divideBy(2);
  const tip = middle.add(along.multiplyBy(9));
  const back = middle.subtract(along.multiplyBy(7));
  return ringPath([tip, back.add(across.multiplyBy(8)), back.subtract(across.multiplyBy(8))]);
}

L.SVG.include({
  _setOwnPath: function (layer, write) {
    this._setPath(layer, layer._empty && layer._empty() ? "M0 0" : write(layer));
  },
});

const Mark = L.CircleMarker.extend({
  _updatePath: function () {
    this._renderer._setOwnPath(this, () =>
      MARKS[this.options.shape](roundPixel(this._point.x), roundPixel(this._point.y), this.options.radius));
  },
});

const Box = L.Polygon.extend({
  options: { smoothFactor: 0, noClip: true },
  _updatePath: function () {
    this._renderer._setPath(this, boxPath(this));
  },
});

const Arrow = L.Polyline.extend({
  options: { smoothFactor: 0, noClip: true },
  _updatePath: function () {
    this._renderer._setPath(this, arrowPath(this));
  },
});

const SVG_SPACE = "http://www.w3.org/2000/svg";

function makeSvg(tag, attributes, parent) {
  const element = document.createElementNS(SVG_SPACE, tag);
  Object.keys(attributes).forEach((name) => element.setAttribute(name, attributes[name]));
  if (parent) parent.appendChild(element);
  return element;
}

// A hatch is made once for each angle and ink, and then filled with by its name.
function hatchFill(angle, ink) {
  const name = "hatch-" + angle + ink.replace("#", "-");
  if (!document.getElementById(name)) {
    const pattern = makeSvg("pattern", {
      id: name, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: `rotate(${angle})`,
    }, document.getElementById("patterns"));
    makeSvg("path", { d: "M0 3.5H7", stroke: ink, "stroke-width": 1.3 }, pattern);
  }
  return `url(#${name})`;
}
