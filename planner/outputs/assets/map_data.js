// What the page holds: data islands, unpacked once, and the ways to find a thing again.

const page = readIsland("page");
const styles = readIsland("styles");
const ledger = readIsland("ledger");
const FINENESS = 1e8; // packed steps in a degree
const things = []; // every feature that can be chosen
const byName = new Map(); // identifier -> features
const referrers = new Map(); // identifier -> features that link to it

function readIsland(name) {
  return JSON.parse(document.getElementById("data-" + name).textContent);
}

function unpackRing(steps) {
  const points = [];
  let x = 0;
  let y = 0;
  for (let place = 0; place < steps.length; place += 2) {
    x += steps[place];
    y += steps[place + 1];
    points.push([page.origin[1] + y / FINENESS, page.origin[0] + x / FINENESS]);
  }
  return points;
}

// A point becomes [lat, lon]; lines a list of lines; areas a list of lists of rings.
function unpack(at) {
  if (typeof at[0] === "number") return unpackRing(at)[0];
  return at.map((part) => (typeof part[0] === "number" ? unpackRing(part) : part.map(unpackRing)));
}

function isPoint(shape) {
  return typeof shape[0] === "number";
}

function isArea(shape) {
  return !isPoint(shape) && Array.isArray(shape[0][0][0]);
}

function middleOf(shape) {
  if (isPoint(shape)) return shape;
  return L.latLngBounds(shape.flat(isArea(shape) ? 2 : 1)).getCenter();
}

function boundsOf(shape) {
  return isPoint(shape) ? L.latLngBounds([shape, shape]) : L.latLngBounds(shape.flat(isArea(shape) ? 2 : 1));
}

function keep(index, name, thing) {
  if (!index.has(name)) index.set(name, []);
  index.get(name).push(thing);
}

// Turn a layer's written features into things: their shape in degrees, their layer beside them.
function readThings(layer, set) {
  return set.features.filter((feature) => feature.at).map((feature) => {
    const thing = Object.assign({ layer: layer, set: set, style: styles[set.style] }, feature);
    thing.shape = unpack(feature.at);
    if (feature.centre) thing.centre = unpack(feature.centre);
    if (feature.along) thing.along = unpack(feature.along);
    if (layer.noun) {
      things.push(thing);
      keep(byName, thing.id, thing);
      new Set(layer.links.map((place) => thing.values[place])).forEach((name) => {
        if (name) keep(referrers, name, thing);
      });
    }
    return thing;
  });
}

function nameOf(thing) {
  return thing.layer.noun + " " + thing.id;
}
