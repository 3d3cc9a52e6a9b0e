// From things to what is seen: one pane a layer, one group a set, shown when all its switches are on.

const map = window.map_plan;
const switches = new Map(); // name -> whether it is on
const groups = []; // {set, group}
const renderers = new Map();

function rendererOf(layer, order) {
  if (!renderers.has(layer.id)) {
    map.createPane(layer.id).style.zIndex = 400 + order;
    renderers.set(layer.id, L.svg({ pane: layer.id, padding: 0.4 }));
  }
  return renderers.get(layer.id);
}

function pathOptions(style, layer, more) {
  const fill = style.hatch === undefined ? style.fill : hatchFill(style.hatch, style.hatch_colour);
  return Object.assign({
    pane: layer.id, renderer: renderers.get(layer.id), bubblingMouseEvents: true,
    stroke: style.stroke !== "none", color: style.stroke, weight: style.width, opacity: style.opacity || 1,
    dashArray: style.dash || null, lineCap: style.dash && !style.dash.startsWith("0.1") ? "butt" : "round",
    fill: Boolean(fill), fillColor: fill || null, fillOpacity: 1, interactive: Boolean(layer.noun), smoothFactor: 0.6,
  }, more);
}

function quiet(style, layer, more) {
  return pathOptions(style, layer, Object.assign({ interactive: false, fill: false, dashArray: null }, more));
}

function drawLine(thing) {
  const style = thing.style;
  const layer = thing.layer;
  const lines = isArea(thing.shape) ? thing.shape.flat(1) : thing.shape;
  const paths = { body: [L.polyline(lines, pathOptions(style, layer, { fill: false }))] };
  if (style.case) paths.under = [L.polyline(lines, quiet(style, layer, { color: style.case, weight: style.case_width }))];
  if (style.core) paths.over = [L.polyline(lines, quiet(style, layer, { color: style.core, weight: style.core_width }))];
  if (style.arrow) {
    paths.top = [new Arrow(lines[0], quiet(style, layer, {
      fill: true, fillColor: style.stroke, color: style.case, weight: 1.6, least: 46, lineJoin: "miter",
    }))];
  }
  return paths;
}

function drawArea(thing) {
  return { body: [L.polygon(thing.shape, pathOptions(thing.style, thing.layer, { lineJoin: "round" }))] };
}

function drawMark(thing) {
  const style = thing.style;
  const at = isPoint(thing.shape) ? thing.shape : middleOf(thing.shape);
  const options = pathOptions(style, thing.layer, { radius: style.size, shape: style.shape });
  if (style.shape === "clash") options.fillOpacity = 0.35;
  return { body: [new Mark(at, options)] };
}

function drawBox(thing) {
  const style = thing.style;
  const layer = thing.layer;
  const shape = isPoint(thing.shape) ? [[thing.shape]] : thing.shape;
  const centre = thing.centre || middleOf(shape);
  const more = { least: style.least, centre: centre, lineJoin: "miter" };
  const paths = { body: [new Box(shape, pathOptions(style, layer, more))] };
  if (style.double) {
    paths.over = [new Box(shape, quiet(style, layer, Object.assign({ color: style.double, weight: style.width * 0.36 }, more)))];
  }
  paths.top = [new Mark(centre, quiet(styles.manhole, layer, { fill: true, radius: styles.manhole.size, shape: "disc" }))];
  return paths;
}

const DRAW = { line: drawLine, area: drawArea, mark: drawMark, box: drawBox };

// Each set becomes one group: all that lies under first, so that joints of legs look whole.
function drawSet(layer, set, order) {
  rendererOf(layer, order);
  const parts = { under: [], body: [], over: [], top: [] };
  readThings(layer, set).forEach((thing) => {
    const paths = DRAW[thing.style.draw](thing);
    Object.keys(paths).forEach((part) => parts[part].push(...paths[part]));
    if (layer.noun) joinThing(thing, paths.body[0]);
    set.things = (set.things || []).concat(thing);
  });
  const group = L.layerGroup([...parts.under, ...parts.body, ...parts.over, ...parts.top]);
  groups.push({ set: set, group: group });
}

// Make a thing reachable: by the keyboard where its layer asks for that, and by its path.
function joinThing(thing, path) {
  thing.path = path;
  if (!thing.layer.focus) return;
  path.on("add", () => {
    const element = path.getElement();
    element.setAttribute("tabindex", "0");
    element.setAttribute("role", "button");
    element.setAttribute("aria-label", thing.label ? thing.layer.noun + " " + thing.label : nameOf(thing));
    element.addEventListener("focus", () => element.matches(":focus-visible") && showHalo(thing));
    element.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      event.stopPropagation();
      choose(thing, element);
    });
  });
}

function isShown(set) {
  return set.switches.every((name) => switches.get(name) !== false) && map.getZoom() >= (styles[set.style].zoom || 0);
}

function showGroups() {
  groups.forEach((entry) => {
    const shown = isShown(entry.set);
    if (shown && !map.hasLayer(entry.group)) entry.group.addTo(map);
    if (!shown && map.hasLayer(entry.group)) entry.group.remove();
  });
}

function drawGround() {
  const ground = readIsland("ground");
  if (!ground) return;
  map.createPane("relief").style.zIndex = 390;
  const image = L.imageOverlay(ground.image, ground.bounds, { pane: "relief", alt: "" });
  groups.push({ set: { switches: ["ground"], style: "contour-index" }, group: image });
}

function drawAll() {
  drawGround();
  readIsland("layers").forEach((layer, place) => {
    layer.sets.forEach((set) => drawSet(layer, set, 5 * (place + 1)));
  });
}

// The halo: what is chosen or has the focus, in the ink of the page and below what is proposed.
let halo = null;

function showHalo(thing) {
  if (halo) halo.remove();
  halo = null;
  if (!thing) return;
  if (!map.getPane("halo")) map.createPane("halo").style.zIndex = 445;
  const ink = { pane: "halo", renderer: rendererFor("halo"), interactive: false, color: "#1d1b18", fill: false };
  const shape = thing.along || thing.shape;
  if (isPoint(shape)) halo = L.circleMarker(shape, Object.assign(ink, { radius: 18, weight: 7, opacity: 0.28 }));
  else if (isArea(shape)) halo = L.polygon(shape, Object.assign(ink, { weight: 13, opacity: 0.28 }));
  else halo = L.polyline(shape, Object.assign(ink, { weight: 20, opacity: 0.28 }));
  halo.addTo(map);
}

function rendererFor(pane) {
  if (!renderers.has(pane)) renderers.set(pane, L.svg({ pane: pane, padding: 0.4 }));
  return renderers.get(pane);
}

// What lies at a place of the screen, the likeliest meant first.
const REACH = 9; // [px] how far from a thing a click still means it
const AREA_PENALTY = 30;

function thingsAt(point) {
  const found = [];
  groups.forEach((entry) => {
    if (!map.hasLayer(entry.group)) return;
    (entry.set.things || []).forEach((thing) => {
      if (!thing.layer.noun) return;
      const far = distanceTo(thing, point);
      if (far <= REACH) found.push({ thing: thing, score: scoreOf(thing, far) });
    });
  });
  return found.sort((a, b) => a.score - b.score).map((entry) => entry.thing);
}

function scoreOf(thing, far) {
  const wide = isArea(thing.shape) && thing.style.draw !== "box" && thing.layer.id !== "equipment";
  return Math.max(0, far - 3) * 3 + (wide ? AREA_PENALTY : 0) + thing.layer.rank * 0.02;
}

function distanceTo(thing, point) {
  if (thing.style.draw === "mark") {
    const at = map.latLngToLayerPoint(isPoint(thing.shape) ? thing.shape : middleOf(thing.shape));
    return Math.max(0, at.distanceTo(point) - thing.style.size);
  }
  if (thing.style.draw === "box" && thing.centre) {
    const near = map.latLngToLayerPoint(thing.centre).distanceTo(point) - thing.style.least / 2;
    if (near <= 0 || isPoint(thing.shape)) return Math.max(0, near);
  }
  if (!boundsOf(thing.shape).pad(0.001).intersects(reachBounds(point))) return Infinity;
  const rings = isArea(thing.shape) ? thing.shape.flat(1) : thing.shape;
  const lines = rings.map((ring) => ring.map((at) => map.latLngToLayerPoint(at)));
  if (isArea(thing.shape) && isInside(lines, point)) return 0;
  return Math.min(...lines.map((line) => distanceToLine(line, point))) - thing.style.width / 2;
}

function reachBounds(point) {
  const corners = [point.subtract([REACH, REACH]), point.add([REACH, REACH])];
  return L.latLngBounds(corners.map((corner) => map.layerPointToLatLng(corner)));
}

function distanceToLine(line, point) {
  let least = Infinity;
  for (let place = 1; place < line.length; place += 1) {
    least = Math.min(least, L.LineUtil.pointToSegmentDistance(point, line[place - 1], line[place]));
  }
  return least;
}

function isInside(rings, point) {
  let inside = false;
  rings.forEach((ring) => {
    for (let place = 0, last = ring.length - 1; place < ring.length; last = place, place += 1) {
      const a = ring[place];
      const b = ring[last];
      if ((a.y > point.y) !== (b.y > point.y) && point.x < ((b.x - a.x) * (point.y - a.y)) / (b.y - a.y) + a.x) inside = !inside;
    }
  });
  return inside;
}
