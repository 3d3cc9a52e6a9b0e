// Layers and legend are one list: an entry shows how a thing is drawn, and switches it.

const legend = document.getElementById("legend");

function drawSwatch(style) {
  const svg = makeSvg("svg", { viewBox: "0 0 40 18", "aria-hidden": "true" });
  SWATCHES[style.draw](svg, style);
  return svg;
}

function inkOf(style) {
  const ink = { fill: "none", stroke: style.stroke, "stroke-width": style.width };
  if (style.dash) ink["stroke-dasharray"] = style.dash;
  if (style.dash && style.dash.startsWith("0.1")) ink["stroke-linecap"] = "round";
  return ink;
}

function swatchLine(svg, style) {
  const path = { d: "M2 9H38" };
  makeSvg("path", Object.assign(inkOf(style), path), svg);
  if (style.core) makeSvg("path", Object.assign({ stroke: style.core, "stroke-width": style.core_width }, path), svg);
  if (style.arrow) makeSvg("path", { d: "M27 9 15 2.5V15.5Z", fill: style.stroke, stroke: style.case, "stroke-width": 1 }, svg);
  if (style.crossed) makeSvg("path", { d: crossPath(10, 9, 3) + crossPath(30, 9, 3), fill: "none", stroke: style.stroke, "stroke-width": 1.4 }, svg);
  if (style.letter && style.letter !== "?") {
    makeSvg("text", { x: 20, y: 12.3, class: "swatch-letter", fill: style.stroke }, svg).textContent = style.letter;
  }
}

function swatchArea(svg, style) {
  const fill = style.hatch === undefined ? style.fill || "none" : hatchFill(style.hatch, style.hatch_colour);
  makeSvg("path", Object.assign(inkOf(style), { d: "M5 3H35V15H5Z", fill: fill }), svg);
}

function swatchMark(svg, style) {
  const low = style.shape === "flag" ? 16 : 9;
  const size = Math.min(style.size, 7.5);
  const ink = Object.assign(inkOf(style), { d: MARKS[style.shape](20, low, size), fill: style.fill || "none" });
  if (style.shape === "clash") ink["fill-opacity"] = 0.35;
  makeSvg("path", ink, svg);
}

function swatchBox(svg, style) {
  const box = { d: "M11 3.5H29V14.5H11Z" };
  makeSvg("path", Object.assign(inkOf(style), box, { fill: style.fill }), svg);
  if (style.double) makeSvg("path", Object.assign({ fill: "none", stroke: style.double, "stroke-width": style.width * 0.36 }, box), svg);
}

const SWATCHES = { line: swatchLine, area: swatchArea, mark: swatchMark, box: swatchBox };

function addEntry(entry, parent) {
  const label = make("label", "", parent);
  const box = make("input", "", label);
  box.type = "checkbox";
  box.checked = entry.on;
  box.dataset.switch = entry.id;
  box.addEventListener("change", () => turn(entry.id, box.checked));
  label.appendChild(drawSwatch(styles[entry.style]));
  make("span", entry.title, label);
  make("span", entry.count ? String(entry.count) : "", label, "count");
  switches.set(entry.id, entry.on);
  return box;
}

function turn(name, on) {
  switches.set(name, on);
  showGroups();
  writeLabels();
}

function addGroup(title, entries, parent) {
  const group = make("fieldset", "", parent);
  group.setAttribute("aria-label", title);
  const head = make("div", "", group, "group");
  make("b", title, head);
  const all = make("button", "none", head);
  all.type = "button";
  all.setAttribute("aria-label", title + ": show all or none");
  const boxes = entries.map((entry) => addEntry(entry, group));
  const name = () => (all.textContent = boxes.some((box) => box.checked) ? "none" : "all");
  boxes.forEach((box) => box.addEventListener("change", name));
  all.addEventListener("click", () => {
    const on = !boxes.some((box) => box.checked);
    boxes.forEach((box) => {
      box.checked = on;
      switches.set(box.dataset.switch, on);
    });
    showGroups();
    writeLabels();
    name();
  });
}

function addLegend() {
  const list = make("div", "", legend);
  const entries = readIsland("legend");
  [...new Set(entries.map((entry) => entry.group))].forEach((title) => {
    addGroup(title, entries.filter((entry) => entry.group === title), list);
  });
  L.DomEvent.disableScrollPropagation(list);
}

function setLegend(open) {
  legend.hidden = !open;
  document.getElementById("legend-button").setAttribute("aria-expanded", String(open));
  if (sheet) writeLabels();
}
