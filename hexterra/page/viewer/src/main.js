// The viewer: `mount` fills an element with plans; on a page it starts by itself.
import { App } from "./app.js";
import { cellPanel } from "./cell_panel.js";
import { unpack } from "./data.js";
import { button, el } from "./dom.js";
import { drape, LAYERS } from "./drape.js";
import { piecesPanel } from "./pieces_panel.js";
import { comparePanel, plansPanel } from "./plans_panel.js";
import { rowsPanel } from "./rows_panel.js";
import { sectionPanel } from "./section_panel.js";
import { aboutPanel, keyOf, viewPanel } from "./view_panel.js";
import { listen } from "./hands.js";

// Show packed plans, each as text (base64 of gzip), in an element; resolves when they are drawn.
export async function mount(root, texts) {
  const plans = await Promise.all(texts.map(unpack));
  const stage = el("div", {
    class: "stage",
    tabindex: 0,
    role: "application",
    "aria-label": "The board. Arrows move from cell to cell.",
  });
  const app = new App(plans, stage);
  const many = plans.length > 1;
  const panels = [
    ...(many ? [plansPanel(app), comparePanel(app)] : []),
    cellPanel(app),
    piecesPanel(app),
    rowsPanel(app),
    sectionPanel(app),
    viewPanel(app),
    aboutPanel(app),
  ];
  const { tabs, show, shownName } = tabbed(panels);
  const status = el("p", { class: "status", role: "status" });
  const printed = el("section", { class: "printed", "aria-hidden": "true" });
  stage.append(status, zoomButtons(app));
  root.classList.add("hexterra");
  root.replaceChildren(header(app, status, show), stage, tabs, printed);
  listen(app, stage, status);
  app.on("choose", () => {
    if (app.chosen >= 0 && !["Rows", "Compare"].includes(shownName())) show("Cell");
  });
  app.open(0);
  show(many ? "Plans" : "Cell");
  const asked = app.board.numberOf.get(location.hash.slice(1).toUpperCase());
  if (asked !== undefined) app.choose(asked); // page.html#C4
  preparePrint(app, printed);
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  root.viewer = app; // for whoever holds the element
  root.dataset.ready = "yes";
  return app;
}

function header(app, status, show) {
  const title = el("h1");
  const search = el("input", {
    type: "search",
    "aria-label": "Find a cell",
    placeholder: "Find a cell",
    autocapitalize: "characters",
  });
  const form = el(
    "form",
    {
      role: "search",
      onsubmit: (event) => {
        event.preventDefault();
        const name = search.value.trim().toUpperCase();
        const cell = app.board.numberOf.get(name);
        if (cell === undefined) {
          status.textContent = `There is no cell ${name || "without a name"}: cells run from ${app.board.labels[0]} to ${app.board.labels.at(-1)}.`;
          return;
        }
        app.waiting = null;
        app.choose(cell);
        show("Cell");
      },
    },
    search,
    el("button", { type: "submit", text: "Find" }),
  );
  app.on("open", () => {
    title.textContent = app.board.head.title;
    if (app.plans.length > 1) title.textContent += ` · ${app.board.head.name}`;
  });
  return el("header", {}, title, form);
}

function zoomButtons(app) {
  return el(
    "div",
    { class: "zoom" },
    button("+", () => app.view.nudge(0, 1.25), { "aria-label": "Zoom in" }),
    button("−", () => app.view.nudge(0, 0.8), { "aria-label": "Zoom out" }),
    button("↺", () => app.view.nudge(-0.26, 1), { "aria-label": "Turn left" }),
    button("↻", () => app.view.nudge(0.26, 1), { "aria-label": "Turn right" }),
  );
}

// Panels under a row of tabs, of which one is shown.
function tabbed(panels) {
  const tabs = panels.map((panel) =>
    button(panel.name, () => show(panel.name), {
      role: "tab",
      id: `tab-${panel.name}`,
      "aria-controls": `panel-${panel.name}`,
    }),
  );
  const bodies = panels.map((panel) =>
    el(
      "div",
      {
        role: "tabpanel",
        id: `panel-${panel.name}`,
        "aria-labelledby": `tab-${panel.name}`,
        class: "panel",
        tabindex: 0,
      },
      panel.body,
    ),
  );
  let current = null;
  function show(name) {
    if (current?.name === name) return;
    current?.left?.();
    current = panels.find((panel) => panel.name === name);
    panels.forEach((panel, k) => {
      const on = panel === current;
      tabs[k].setAttribute("aria-selected", String(on));
      tabs[k].tabIndex = on ? 0 : -1;
      bodies[k].hidden = !on;
    });
    current.shown?.();
  }
  const list = el(
    "div",
    {
      role: "tablist",
      "aria-label": "Panels",
      class: "tabs",
      onkeydown: (event) => {
        const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (!step) return;
        const next = (panels.indexOf(current) + step + panels.length) % panels.length;
        show(panels[next].name);
        tabs[next].focus();
      },
    },
    ...tabs,
  );
  return {
    tabs: el("main", { class: "side" }, list, ...bodies),
    show,
    shownName: () => current?.name,
  };
}

// A clean map with its key, drawn when the page is printed.
function preparePrint(app, printed) {
  const fill = () => {
    const { board } = app;
    printed.replaceChildren(
      el("h1", { text: board.head.title }),
      drape(board, new Set(LAYERS), 110),
      el("div", { class: "key" }, ...keyOf(board)),
      el("p", { text: `${board.head.facts.table}. ${board.head.facts.height}.` }),
    );
  };
  addEventListener("beforeprint", fill);
  matchMedia("print").addEventListener("change", (event) => event.matches && fill());
}

if (typeof document !== "undefined") {
  const texts = [...document.querySelectorAll("script.plan")].map((script) => script.textContent);
  const root = document.getElementById("viewer");
  if (texts.length && root) {
    mount(root, texts).catch((error) => {
      root.textContent = `This page cannot be shown: ${error.message}`;
    });
  }
}
