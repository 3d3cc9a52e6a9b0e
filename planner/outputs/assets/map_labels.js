// Words on the map, what matters most first.

function blockMarks() {
  shownThings("conflict", "test_hole", "tie_in", "borehole", "feature", "control").filter((thing) => thing.style.draw === "mark" && inView(thing)).forEach((thing) => {
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

function blockLegend() {
  if (legend.hidden || NARROW.matches) return;
  const list = legend.firstChild;
  const at = map.containerPointToLayerPoint([list.offsetLeft + legend.offsetLeft, 0]);
  const half = { x: list.offsetWidth / 2, y: map.getSize().y };
  taken.push(makeRectangle(at.x + half.x, at.y, half.x, Math.min(half.y, list.offsetHeight + 10), 0));
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

// Tie-ins and, close by, pits in full come before the names of streets; far off, pits come last.
function labelPits(first) {
  const zoom = map.getZoom();
  if (zoom < 15.5) return;
  const names = zoom >= FULL_LABELS ? ["tie_in", "pit"] : [first ? "tie_in" : "pit"];
  if (zoom >= FULL_LABELS && !first) return;
  shownThings(...names).filter(inView).forEach((thing) => {
    const at = pixelOf(thing.centre || thing.shape);
    const half = thing.centre ? boxHalf(thing) : L.point(11, 11);
    const texts = zoom >= FULL_LABELS ? [thing.label, thing.short] : [thing.short];
    texts.some((text) => placeText(text, spotsAround(at, half, text, SIZES.label), SIZES.label, "strong", 600) ||
      (zoom >= FULL_LABELS && placeOnLeader(text, at, half)));
  });
}

// A label that does not fit beside its thing stands further off, at the end of a fine line.
function placeOnLeader(text, at, half) {
  const far = L.point(half.x + 16, half.y + 20);
  if (!placeText(text, spotsAround(at, far, text, SIZES.label), SIZES.label, "strong", 600)) return false;
  const spot = taken[taken.length - 1];
  const end = { x: Math.max(spot.x - spot.w, Math.min(at.x, spot.x + spot.w)), y: spot.y + Math.sign(at.y - spot.y) * (spot.h - 2) };
  const line = makeSvg("path", { d: `M${roundPixel(at.x)} ${roundPixel(at.y)}L${roundPixel(end.x)} ${roundPixel(end.y)}`, class: "leader" });
  sheet.prepend(line);
  return true;
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
  return [18, 31].flatMap((off) => shifts.flatMap((shift) => [-off, off].map((side) => ({
    x: ends.x + Math.cos(ends.angle) * shift - Math.sin(angle) * side,
    y: ends.y + Math.sin(ends.angle) * shift + Math.cos(angle) * side,
    angle: angle,
  }))));
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
    if (thing.layer.id === "feature" && map.getZoom() < 17.5) return;
    const at = pixelOf(middleOf(thing.shape));
    const low = thing.style.shape === "triangle" ? 1.5 : 0;
    const size = thing.letter.length > 1 ? SIZES.tiny - 1 : SIZES.tiny;
    if (isArea(thing.shape)) map.getZoom() >= 18.5 && placeText(thing.letter, [at], SIZES.small, "soft", 600);
    else writeText(thing.letter, at.x, at.y + low, 0, size, "in-mark" + (thing.style.light ? " light" : ""));
  });
  shownThings("ledger").filter(inView).forEach((thing) => {
    if (thing.style.shape !== "flag") return;
    const at = pixelOf(thing.shape);
    writeText("?", at.x, at.y - thing.style.size * 1.7, 0, SIZES.tiny + 1, "in-mark");
  });
}

function crossAbandoned() {
  const paths = new Map();
  if (map.getZoom() >= 16.5) shownThings("service").filter((thing) => thing.style.crossed && inView(thing)).forEach((thing) => {
    const spots = thing.shape.flatMap((at) => pacePoints(at.map(pixelOf), 14, 30));
    const seen = spots.filter((spot) => view.contains([spot.x, spot.y])).map((spot) => crossPath(roundPixel(spot.x), roundPixel(spot.y), 2.8));
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
  glass = L.bounds(map.containerPointToLayerPoint([0, 0]), map.containerPointToLayerPoint(size));
  if (!sheet) {
    map.createPane("labels").style.zIndex = 640;
    map.getPane("labels").style.pointerEvents = "none";
    sheet = makeSvg("svg", { class: "labels leaflet-zoom-hide", width: 1, height: 1, "aria-hidden": "true" }, map.getPane("labels"));
  }
  sheet.replaceChildren();
  taken = [];
  blockLegend();
  blockMarks();
  crossAbandoned();
  letterMarks();
  labelConflicts();
  labelPits(true);
  labelStreets();
  labelLegs();
  labelPits(false);
  labelServices();
  labelSmall();
}
