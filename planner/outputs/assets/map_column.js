// The column: details of what is chosen, or the overview of the plan.

const column = document.getElementById("column");
let opener = null; // what had the focus before the column opened
let chosen = null;

function make(tag, text, parent, name) {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  if (name) element.className = name;
  if (parent) parent.appendChild(element);
  return element;
}

function linkTo(thing, text, parent) {
  const button = make("button", text, parent, "link");
  button.type = "button";
  button.addEventListener("click", () => {
    choose(thing, button);
    column.focus();
    goTo([thing], true);
  });
  return button;
}

// The thing that a value names: not itself, and the one that matters most.
function findNamed(name, self) {
  const found = (byName.get(name) || []).filter((thing) => thing !== self && thing.layer.id !== "closure" && thing.layer.id !== "equipment");
  return found.sort((a, b) => a.layer.rank - b.layer.rank)[0];
}

function openColumn(title, noun, from) {
  if (column.hidden) opener = from || document.activeElement;
  column.replaceChildren();
  make("div", "", column, "grip");
  const head = make("div", "", column, "head");
  const heading = make("h2", "", head);
  if (noun) make("small", noun, heading);
  heading.appendChild(document.createTextNode(title));
  const close = make("button", "×", head);
  close.type = "button";
  close.setAttribute("aria-label", "Close");
  close.addEventListener("click", closeColumn);
  column.scrollTop = 0;
  setColumn(true);
}

function setColumn(open) {
  if (column.hidden === !open) return;
  column.hidden = !open;
  document.body.classList.toggle("has-column", open);
  map.invalidateSize({ pan: false });
  writeLabels();
}

function closeColumn() {
  if (column.hidden) return;
  chosen = null;
  showHalo(null);
  document.getElementById("overview-button").setAttribute("aria-expanded", "false");
  setColumn(false);
  if (opener && opener.isConnected) opener.focus({ preventScroll: true });
}

// Choose a thing: its details open, a halo shows where it is.
function choose(thing, from, others) {
  chosen = thing;
  document.getElementById("overview-button").setAttribute("aria-expanded", "false");
  openColumn(thing.id, thing.layer.noun, from);
  if (thing.label && thing.label !== thing.id && thing.layer.focus) make("p", thing.label, column, "line");
  if (thing.binds) make("p", "Fixed by: " + thing.binds, column, "binds");
  writeDetails(thing);
  writeNotes(thing);
  writeReferrers(thing);
  writeOthers(others || []);
  showHalo(thing);
}

function writeDetails(thing) {
  const pairs = thing.layer.labels.map((label, place) => [label, thing.values[place], thing.layer.links.includes(place)]);
  writePairs(pairs.concat(thing.pairs || []).filter((pair) => pair[1]), thing);
}

function writePairs(pairs, self) {
  if (!pairs.length) return;
  const list = make("dl", "", column);
  pairs.forEach((pair) => {
    make("dt", pair[0], list);
    const target = pair[2] && findNamed(pair[1], self);
    if (target) linkTo(target, pair[1], make("dd", "", list));
    else make("dd", pair[1], list);
  });
}

function writeNotes(thing) {
  const told = (thing.notes || []).map((number) => (ledger[number][0] === "assumed" ? "† " : "") + ledger[number].join(": "));
  if (thing.rests) told.push(thing.rests);
  if (thing.values.some((text) => text.endsWith("†")) && !told.some((text) => text.startsWith("†"))) told.push("† taken from the defaults of its kind, not measured");
  told.forEach((text) => make("p", text, column, "notes"));
}

function writeReferrers(thing) {
  const found = (referrers.get(thing.id) || []).filter((other) => other !== thing);
  const nouns = [...new Set(found.map((other) => other.layer.noun))];
  nouns.forEach((noun) => {
    make("h3", noun + "s", column);
    const line = make("div", "", column, "others");
    const seen = new Set();
    found.filter((other) => other.layer.noun === noun && !seen.has(other.id) && seen.add(other.id)).forEach((other) => linkTo(other, other.id, line));
  });
}

function writeOthers(others) {
  if (!others.length) return;
  make("h3", "Also here", column);
  const line = make("div", "", column, "others");
  others.slice(0, 8).forEach((other) => linkTo(other, nameOf(other), line));
}

function writeBlock(block) {
  const place = block.closed ? make("details", "", column) : column;
  if (block.title) make(block.closed ? "summary" : "h3", block.title, place);
  (block.text || []).forEach((text) => make("p", text, place));
  if (!block.rows || !block.rows.length) return;
  const list = make("dl", "", place);
  block.rows.forEach((row) => {
    const term = make("dt", "", list);
    const target = block.links && findNamed(row[0]);
    if (target) linkTo(target, row[0], term);
    else term.textContent = row[0];
    make("dd", row[1], list);
  });
}

function openOverview(from) {
  chosen = null;
  showHalo(null);
  openColumn(page.name, "", from);
  document.getElementById("overview-button").setAttribute("aria-expanded", "true");
  if (page.lines.length) make("p", page.lines.join(", "), column, "notes");
  readIsland("overview").forEach(writeBlock);
}
