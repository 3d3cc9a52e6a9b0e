// Search: what is typed is held against every identifier and name; the choice is shown on the map.

const MOST_FOUND = 10;
const searchText = document.getElementById("search-text");
const searchList = document.getElementById("search-list");
let found = [];
let marked = 0;

// One entry a name and layer: a street of many pieces is one street.
function searchEntries() {
  const entries = new Map();
  things.forEach((thing) => {
    if (!thing.id || thing.layer.id === "ledger") return;
    const key = thing.layer.id + "\n" + thing.id;
    if (!entries.has(key)) entries.set(key, { name: thing.id, noun: thing.layer.noun, rank: thing.layer.rank, things: [] });
    entries.get(key).things.push(thing);
  });
  return [...entries.values()];
}

function matchScore(entry, typed) {
  const name = entry.name.toLowerCase();
  const whole = (entry.noun + " " + entry.name).toLowerCase();
  if (name === typed || whole === typed) return 0;
  if (name.startsWith(typed)) return 1;
  if (whole.startsWith(typed)) return 2;
  return name.includes(typed) ? 3 : -1;
}

function search() {
  const typed = searchText.value.trim().toLowerCase();
  const scored = typed ? searchEntries().map((entry) => [matchScore(entry, typed), entry]).filter((pair) => pair[0] >= 0) : [];
  scored.sort((a, b) => a[0] - b[0] || a[1].rank - b[1].rank || a[1].name.localeCompare(b[1].name, "en", { numeric: true }));
  found = scored.slice(0, MOST_FOUND).map((pair) => pair[1]);
  marked = 0;
  showFound(Boolean(typed));
}

function showFound(open) {
  searchList.replaceChildren();
  searchList.hidden = !open;
  searchText.setAttribute("aria-expanded", String(open));
  if (open && !found.length) make("li", "Nothing of that name", searchList, "none");
  found.forEach((entry, place) => {
    const item = make("li", entry.name, searchList);
    item.id = "found-" + place;
    item.setAttribute("role", "option");
    make("span", entry.noun, item);
    item.addEventListener("mousedown", (event) => event.preventDefault());
    item.addEventListener("click", () => pick(place));
  });
  markFound(0);
}

function markFound(step) {
  if (!found.length) return searchText.removeAttribute("aria-activedescendant");
  marked = (marked + step + found.length) % found.length;
  [...searchList.children].forEach((item, place) => item.setAttribute("aria-selected", String(place === marked)));
  searchText.setAttribute("aria-activedescendant", "found-" + marked);
  return searchList.children[marked].scrollIntoView({ block: "nearest" });
}

function pick(place) {
  const entry = found[place];
  if (!entry) return;
  showFound(false);
  searchText.value = entry.name;
  reveal(entry.things[0]);
  choose(entry.things[0], searchText);
  goTo(entry.things, false);
}

// What is searched for and switched off is switched on again.
function reveal(thing) {
  thing.set.switches.filter((name) => !switches.get(name)).forEach((name) => {
    const box = legend.querySelector(`input[data-switch="${name}"]`);
    if (box) box.click();
  });
}

function goTo(targets, gently) {
  const bounds = targets.reduce((sum, thing) => sum.extend(boundsOf(thing.shape)), L.latLngBounds([]));
  if (gently && map.getBounds().pad(-0.1).contains(bounds)) return;
  const beside = NARROW.matches || legend.hidden ? 40 : 290;
  map.fitBounds(bounds, { paddingTopLeft: [beside, 50], paddingBottomRight: [50, 50], maxZoom: 19.5, animate: false });
}

function startSearch() {
  searchText.addEventListener("input", search);
  searchText.addEventListener("focus", () => searchText.value && search());
  searchText.addEventListener("blur", () => showFound(false));
  searchText.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step) {
      event.preventDefault();
      markFound(step);
    }
    if (event.key === "Enter") pick(marked);
    if (event.key === "Escape" && !searchList.hidden) {
      event.stopPropagation();
      showFound(false);
    }
  });
}
