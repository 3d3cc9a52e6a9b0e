// Placing words: a label goes where it hits nothing that matters more, or nowhere.

const SPACE = 3; // [px] kept free around a label
const FULL_LABELS = 18; // zoom from which pits say all
const SIZES = { label: 12, small: 10.5, tiny: 9.5 };
const FAMILY = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif';
const PIT_SPOTS = [[1, -1], [1, 1], [-1, -1], [-1, 1], [0, -1], [0, 1], [1, 0], [-1, 0]];
const measuring = document.createElement("canvas").getContext("2d");
const widths = new Map();
let sheet = null; // the drawing that holds the labels
let taken = []; // rectangles that are in use
let view = null; // part of the map that gets labels
let glass = null; // part of it that is seen

function textWidth(text, size, weight) {
  const key = size + "|" + weight + "|" + text;
  if (!widths.has(key)) {
    measuring.font = `${weight} ${size}px ${FAMILY}`;
    widths.set(key, measuring.measureText(text).width);
  }
  return widths.get(key);
}

// A rectangle that may be turned: centre, half its width and height, and its direction.
function makeRectangle(x, y, halfWidth, halfHeight, angle) {
  return { x: x, y: y, w: halfWidth, h: halfHeight, cos: Math.cos(angle), sin: Math.sin(angle) };
}

function meet(a, b) {
  const dx = b.x - a.x;
  const dy = b.y - a.y;
  const reach = a.w + a.h + b.w + b.h;
  if (Math.abs(dx) > reach || Math.abs(dy) > reach) return false;
  return ![[a.cos, a.sin], [-a.sin, a.cos], [b.cos, b.sin], [-b.sin, b.cos]].some((axis) => {
    const apart = Math.abs(dx * axis[0] + dy * axis[1]);
    return apart > extent(a, axis) + extent(b, axis);
  });
}

function extent(r, axis) {
  return r.w * Math.abs(r.cos * axis[0] + r.sin * axis[1]) + r.h * Math.abs(-r.sin * axis[0] + r.cos * axis[1]);
}

function isFree(rectangle) {
  return !taken.some((other) => meet(rectangle, other));
}

// Whether a rectangle that begins in the window also ends in it.
function isWhole(rectangle) {
  if (!glass.contains([rectangle.x, rectangle.y])) return true;
  const wide = extent(rectangle, [1, 0]);
  const high = extent(rectangle, [0, 1]);
  return glass.contains(L.bounds([rectangle.x - wide, rectangle.y - high], [rectangle.x + wide, rectangle.y + high]));
}

function writeText(text, x, y, angle, size, kind) {
  const element = makeSvg("text", { class: kind, "font-size": size, "dominant-baseline": "central", "text-anchor": "middle" }, sheet);
  const turn = angle ? ` rotate(${((angle * 180) / Math.PI).toFixed(1)})` : "";
  element.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})${turn}`);
  element.textContent = text;
}

// Write a label at the first of some spots that is free; says whether there was one.
function placeText(text, spots, size, kind, weight) {
  const half = textWidth(text, size, weight || 400) / 2 + SPACE;
  for (const spot of spots) {
    const rectangle = makeRectangle(spot.x, spot.y, half, size * 0.62 + 1, spot.angle || 0);
    if (view.contains([spot.x, spot.y]) && isWhole(rectangle) && isFree(rectangle)) {
      taken.push(rectangle);
      writeText(text, spot.x, spot.y, spot.angle || 0, size, kind);
      return true;
    }
  }
  return false;
}

function pixelOf(at) {
  return map.latLngToLayerPoint(at);
}

function linesOf(thing) {
  return isArea(thing.shape) ? thing.shape.flat(1) : thing.shape;
}

function shownThings(...names) {
  const found = [];
  groups.forEach((entry) => {
    if (!map.hasLayer(entry.group)) return;
    (entry.set.things || []).forEach((thing) => {
      if (names.includes(thing.layer.id)) found.push(thing);
    });
  });
  return found;
}

function inView(thing) {
  return view.intersects(pixelBounds(thing));
}

function pixelBounds(thing) {
  const bounds = (thing.bounds = thing.bounds || boundsOf(thing.shape));
  return L.bounds(pixelOf(bounds.getSouthWest()), pixelOf(bounds.getNorthEast()));
}

function upright(angle) {
  if (angle > Math.PI / 2) return angle - Math.PI;
  return angle <= -Math.PI / 2 ? angle + Math.PI : angle;
}
