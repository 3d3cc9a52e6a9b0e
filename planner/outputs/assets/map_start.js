// The start: the strip is written, everything is drawn, hands and keys are listened to.

const NARROW = window.matchMedia("(max-width: 640px)");

function writeStrip() {
  document.getElementById("project-name").textContent = page.name;
  const facts = document.getElementById("project-facts");
  const told = [page.datum && "Datum " + page.datum, page.units, page.date];
  told.filter(Boolean).forEach((text) => make("span", text, facts));
}

function fitPlan() {
  const beside = !NARROW.matches && !legend.hidden ? 262 : 14;
  map.fitBounds(page.bounds, { paddingTopLeft: [beside, 14], paddingBottomRight: [14, 14], animate: false });
}

function addControls() {
  L.control.scale({ imperial: page.us, metric: !page.us, maxWidth: 140 }).addTo(map);
  const zoom = L.control.zoom({ position: "bottomright" }).addTo(map);
  const fit = L.DomUtil.create("a", "fit-button", zoom.getContainer());
  fit.href = "#";
  fit.title = "Whole plan";
  fit.setAttribute("role", "button");
  fit.setAttribute("aria-label", "Show the whole plan");
  const svg = makeSvg("svg", { viewBox: "0 0 14 14", "aria-hidden": "true" }, fit);
  makeSvg("path", { d: "M1 5V1H5M9 1H13V5M13 9V13H9M5 13H1V9", fill: "none", stroke: "currentColor", "stroke-width": 1.6 }, svg);
  L.DomEvent.on(fit, "click", (event) => {
    L.DomEvent.stop(event);
    fitPlan();
  });
}

function listen() {
  map.on("click", (event) => {
    const here = thingsAt(map.mouseEventToLayerPoint(event.originalEvent));
    if (here.length) choose(here[0], null, here.slice(1));
    else closeColumn();
  });
  map.on("zoomend", showGroups);
  map.on("moveend", writeLabels);
  const overviewButton = document.getElementById("overview-button");
  overviewButton.addEventListener("click", () => {
    if (overviewButton.getAttribute("aria-expanded") === "true") closeColumn();
    else openOverview(overviewButton);
  });
  document.getElementById("legend-button").addEventListener("click", () => setLegend(legend.hidden));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") closeColumn();
    if (event.key === "/" && document.activeElement !== searchText) {
      event.preventDefault();
      searchText.focus();
    }
  });
}

writeStrip();
addLegend();
setLegend(!NARROW.matches);
drawAll();
fitPlan();
showGroups();
addControls();
startSearch();
listen();
writeLabels();
