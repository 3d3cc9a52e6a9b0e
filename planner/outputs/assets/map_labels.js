// Words on the map: each is placed where it hits nothing that matters more, or not at all.

const SPACE = 3; // [px] kept free around a label
const SIZES = { label: 12, small: 10.5, tiny: 9.5 };
const FAMILY = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif';
const PIT_SPOTS = [[1, -1], [1, 1], [-1, -1], [-1, 1], [0, -1], [0, 1], [1, 0], [-1, 0]];
const measuring = document.createElement("canvas").getContext("2d");
const widths = new Map();
let sheet = null; // the drawing that holds the labels
let taken = []; // rectangles that are in use
let view = null; // part of the map that gets labels

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
    if (view.contains([spot.x, spot.y]) && isFree(rectangle)) {
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

function blockMarks() {
  shownThings("conflict", "test_hole", "tie_in", "borehole").filter(inView).forEach((thing) => {
    const at = pixelOf(thing.shape);
    taken.push(makeRectangle(at.x, at.y, thing.style.size + 2, thing.style.size + 2, 0));
  });
  shownThings("pit").filter(inView).forEach((thing) => {
    const half = boxHalf(thing);
    const at = pixelOf(thing.centre);
    taken.push(makeRectangle(at.x, at.y, half.x, half.y, 0));
  });
  shownThings("leg").filter(inView).forEach((thing) => {
    const ends = legEnds(thing);
    taken.push(makeRectangle(ends.x, ends.y, ends.length / 2, 5, ends.angle));
    if (ends.length > 46) taken.push(makeRectangle(ends.x, ends.y, 9, 9, ends.angle));
  });
}

function boxHalf(thing) {
  const size = isPoint(thing.shape) ? L.point(0, 0) : pixelBounds(thing).getSize();
  const least = thing.style.least;
  return L.point(Math.max(size.x, least) / 2 + 2, Math.max(size.y, least) / 2 + 2);
}

function legEnds(thing) {
  const line = thing.shape[0];
  const start = pixelOf(line[0]);
  const end = pixelOf(line[line.length - 1]);
  return {
    x: (start.x + end.x) / 2, y: (start.y + end.y) / 2, length: start.distanceTo(end), start: start, end: end,
    angle: Math.atan2(end.y - start.y, end.x - start.x),
  };
}

function labelConflicts() {
  if (map.getZoom() < 17) return;
  shownThings("conflict").filter(inView).forEach((thing) => {
    if (thing.label) placeText(thing.label, spotsAround(pixelOf(thing.shape), L.point(12, 12), thing.label, SIZES.label), SIZES.label, "wrong", 600);
  });
}

function spotsAround(at, half, text, size) {
  const wide = textWidth(text, size, 600) / 2 + 4;
  return PIT_SPOTS.map((side) => ({
    x: at.x + side[0] * (half.x + wide), y: at.y + side[1] * (half.y + (side[0] ? 2 : size * 0.7)),
  }));
}

function labelPits() {
  const zoom = map.getZoom();
  if (zoom < 15.5) return;
  shownThings("tie_in", "pit").filter(inView).forEach((thing) => {
    const at = pixelOf(thing.centre || thing.shape);
    const half = thing.centre ? boxHalf(thing) : L.point(11, 11);
    const texts = zoom >= 17.5 ? [thing.label, thing.short] : [thing.short];
    texts.some((text) => placeText(text, spotsAround(at, half, text, SIZES.label), SIZES.label, "strong", 600));
  });
}

function labelLegs() {
  if (map.getZoom() < 15.5) return;
  shownThings("leg").filter(inView).forEach((thing) => {
    const ends = legEnds(thing);
    const texts = [thing.label, thing.short, thing.id];
    texts.some((text) => {
      const wide = textWidth(text, SIZES.label, 400);
      return wide + 14 < ends.length && placeText(text, spotsAlong(ends, wide), SIZES.label, "", 400);
    });
  });
}

// Beside the middle of a leg, above first; then nearer to its ends.
function spotsAlong(ends, wide) {
  const angle = upright(ends.angle);
  const slack = Math.max(0, (ends.length - wide - 14) / 2);
  const shifts = [0, -0.5, 0.5, -1, 1].map((share) => share * slack);
  return shifts.flatMap((shift) => [-1, 1].map((side) => ({
    x: ends.x + Math.cos(ends.angle) * shift - Math.sin(angle) * side * 18,
    y: ends.y + Math.sin(ends.angle) * shift + Math.cos(angle) * side * 18,
    angle: angle,
  })));
}

// Points and directions along a line of pixels, one each `every` pixels, from `first` on.
function pacePoints(line, first, every) {
  const found = [];
  let next = first;
  let gone = 0;
  for (let place = 1; place < line.length; place += 1) {
    const a = line[place - 1];
    const b = line[place];
    const length = a.distanceTo(b);
    while (length > 0 && next <= gone + length) {
      const share = (next - gone) / length;
      found.push({ x: a.x + (b.x - a.x) * share, y: a.y + (b.y - a.y) * share, angle: upright(Math.atan2(b.y - a.y, b.x - a.x)) });
      next += every;
    }
    gone += length;
  }
  return found;
}

function lengthOf(line) {
  return line.reduce((sum, point, place) => (place ? sum + point.distanceTo(line[place - 1]) : 0), 0);
}

// Where a word of some length lies straight enough on a bent line.
function straightSpots(line, wide) {
  const half = wide / 2;
  const total = lengthOf(line);
  if (total < wide) return [];
  return pacePoints(line, half, Math.max(40, (total - wide) / 6)).map((spot, place) => {
    const centre = half + place * Math.max(40, (total - wide) / 6);
    const start = pacePoints(line, Math.max(0.01, centre - half), Infinity)[0];
    const end = pacePoints(line, Math.min(total - 0.01, centre + half), Infinity)[0];
    if (!start || !end) return null;
    const chord = Math.hypot(end.x - start.x, end.y - start.y);
    const middle = { x: (start.x + end.x) / 2, y: (start.y + end.y) / 2 };
    if (chord < wide * 0.97 || Math.hypot(middle.x - spot.x, middle.y - spot.y) > 5) return null;
    return { x: spot.x, y: spot.y, angle: upright(Math.atan2(end.y - start.y, end.x - start.x)) };
  }).filter(Boolean);
}

function labelStreets() {
  if (map.getZoom() < 15) return;
  const written = new Map();
  const size = SIZES.label;
  shownThings("street").filter((thing) => thing.id && inView(thing)).forEach((thing) => {
    const wide = textWidth(thing.id, size, 400) * 1.12 + thing.id.length * 0.06 * size;
    const near = written.get(thing.id) || [];
    thing.along.forEach((along) => {
      const line = along.map(pixelOf);
      const spots = straightSpots(line, wide).filter((spot) => !near.some((other) => Math.hypot(other.x - spot.x, other.y - spot.y) < 420));
      const moved = spots.flatMap((spot) => [0, -13, 13, -24, 24].map((side) => ({
        x: spot.x - Math.sin(spot.angle) * side, y: spot.y + Math.cos(spot.angle) * side, angle: spot.angle,
      })));
      if (moved.length && placeText(thing.id, moved, size, "name", 400)) near.push(taken[taken.length - 1]);
    });
    written.set(thing.id, near);
  });
}

function labelServices() {
  if (map.getZoom() < 17) return;
  shownThings("service").filter((thing) => thing.style.letter && inView(thing)).forEach((thing) => {
    thing.shape.forEach((at) => {
      const line = at.map(pixelOf);
      const total = lengthOf(line);
      if (total < 30) return;
      const every = 190;
      pacePoints(line, Math.min(total / 2, 60 + (thing.layer.rank * 17 + thing.id.length * 29) % 70), every).forEach((spot) => {
        placeText(thing.style.letter, [spot], SIZES.small, "strong", 600, thing.style.stroke);
        const last = sheet.lastChild;
        if (last && last.textContent === thing.style.letter) last.style.fill = thing.style.stroke;
      });
    });
  });
}

function labelSmall() {
  if (map.getZoom() >= 16) {
    shownThings("contour").filter((thing) => thing.label && inView(thing)).forEach((thing) => {
      const line = linesOf(thing)[0].map(pixelOf);
      const spots = straightSpots(line, textWidth(thing.label, SIZES.small, 400) + 10);
      if (spots.length) placeText(thing.label, spots, SIZES.small, "soft", 400);
    });
  }
  if (map.getZoom() < 18) return;
  shownThings("closure").filter((thing) => thing.label && inView(thing)).forEach((thing) => {
    const at = pixelOf(middleOf(thing.shape));
    placeText(thing.label, spotsAround(at, L.point(4, 8), thing.label, SIZES.label), SIZES.label, "strong", 600);
  });
  shownThings("property").filter((thing) => inView(thing)).forEach((thing) => {
    const at = pixelOf(middleOf(thing.shape));
    const spots = isPoint(thing.shape) ? spotsAround(at, L.point(6, 6), thing.id, SIZES.small) : [{ x: at.x, y: at.y }];
    placeText(thing.id, spots, SIZES.small, "soft", 400);
  });
}

// Letters and numbers inside marks belong to the mark and are never left out.
function letterMarks() {
  shownThings("test_hole", "feature").filter((thing) => thing.letter && inView(thing)).forEach((thing) => {
    if (thing.layer.id === "feature" && map.getZoom() < 17) return;
    const at = pixelOf(middleOf(thing.shape));
    const low = thing.style.shape === "triangle" ? 1.5 : 0;
    const size = thing.letter.length > 1 ? SIZES.tiny - 1 : SIZES.tiny;
    if (isArea(thing.shape)) placeText(thing.letter, [at], SIZES.small, "soft", 600);
    else writeText(thing.letter, at.x, at.y + low, 0, size, "in-mark" + (thing.style.light ? " light" : ""));
  });
  shownThings("ledger").filter(inView).forEach((thing) => {
    if (thing.style.shape !== "flag") return;
    const at = pixelOf(thing.shape);
    writeText("?", at.x, at.y - thing.style.size * 1.7, 0, SIZES.tiny + 1, "in-mark");
  });
}

function crossAbandoned() {
  if (map.getZoom() < 15.5) return;
  const paths = new Map();
  shownThings("service").filter((thing) => thing.style.crossed && inView(thing)).forEach((thing) => {
    const spots = thing.shape.flatMap((at) => pacePoints(at.map(pixelOf), 12, 26));
    const seen = spots.filter((spot) => view.contains([spot.x, spot.y])).map((spot) => crossPath(roundPixel(spot.x), roundPixel(spot.y), 3.2));
    paths.set(thing.style.stroke, (paths.get(thing.style.stroke) || "") + seen.join(""));
  });
  shownThings("property").filter((thing) => thing.set.style === "property-unserved" && inView(thing)).forEach((thing) => {
    const at = pixelOf(middleOf(thing.shape));
    paths.set("#1d1b18", (paths.get("#1d1b18") || "") + crossPath(roundPixel(at.x), roundPixel(at.y), 5));
    taken.push(makeRectangle(at.x, at.y, 6, 6, 0));
  });
  paths.forEach((path, ink) => makeSvg("path", { d: path, stroke: ink, "stroke-width": 1.4, fill: "none" }, sheet));
}

function writeLabels() {
  const size = map.getSize();
  const corner = map.containerPointToLayerPoint(size.multiplyBy(-0.25));
  view = L.bounds(corner, corner.add(size.multiplyBy(1.5)));
  if (!sheet) {
    map.createPane("labels").style.zIndex = 640;
    map.getPane("labels").style.pointerEvents = "none";
    sheet = makeSvg("svg", { class: "labels leaflet-zoom-hide", width: 1, height: 1, "aria-hidden": "true" }, map.getPane("labels"));
  }
  sheet.replaceChildren();
  taken = [];
  blockMarks();
  crossAbandoned();
  letterMarks();
  labelConflicts();
  labelPits();
  labelLegs();
  labelStreets();
  labelServices();
  labelSmall();
}
