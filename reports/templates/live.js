"use strict";
/* Brings a figure to life when it comes into view: the drawing stays for print, and for whoever runs no scripts. */
(() => {
  const STEP = 1.6;
  const rowsOf = (groups) => groups.flatMap(({count, columns}) => Array.from({length: count}, (_, place) =>
    Object.fromEntries(columns.map(({key, words, values}) => [key, words ? words[values[place]] : values[place]]))));

  const tip = Object.assign(document.createElement("dl"), {className: "tip", hidden: true});
  document.body.append(tip);

  const element = (name, text, attributes) => Object.assign(document.createElement(name), {textContent: text}, attributes);

  /* A box of texts beside the pointer; texts only, so that no name becomes markup. */
  function teller(figure) {
    const meta = JSON.parse(figure.querySelector("script").textContent).usermeta;
    return (_handler, event, item, value) => {
      tip.replaceChildren();
      tip.hidden = !value || !item;
      if (tip.hidden) return;
      const row = item.datum.datum || item.datum;
      for (const [field, title] of Object.entries(meta.told)) {
        tip.append(element("dt", title), element("dd", String(row[field])));
      }
      if (meta.fixed) tip.append(element("dd", meta.fixed, {className: "fixed"}));
      const [wide, high] = [tip.offsetWidth, tip.offsetHeight];
      tip.style.left = Math.max(4, Math.min(event.clientX + 14, document.documentElement.clientWidth - wide - 4)) + "px";
      tip.style.top = (event.clientY + 14 + high > innerHeight ? Math.max(4, event.clientY - 14 - high) : event.clientY + 14) + "px";
    };
  }

  function zoomTools(view) {
    const state = () => view.getState({signals: (name) => /^zoom_[xy]$/.test(name), data: () => false}).signals;
    const log = (axis) => view.scale(axis).type === "log";
    const whole = {};
    const axes = Object.keys(state()).map((name) => name.slice(-1));
    // Ends of a time axis are dates; a number is what all axes take.
    axes.forEach((axis) => { whole[axis] = view.scale(axis).domain().map(Number); });
    const set = (factor) => {
      axes.forEach((axis) => {
        const [low, high] = (view.signal("zoom_" + axis) || whole[axis]).map((end) => log(axis) ? Math.log(end) : Number(end));
        const middle = (low + high) / 2, half = (high - low) / 2 / factor;
        view.signal("zoom_" + axis, [middle - half, middle + half].map((end) => log(axis) ? Math.exp(end) : end));
      });
      view.runAsync();
    };
    const back = () => { axes.forEach((axis) => view.signal("zoom_" + axis, null)); view.runAsync(); };
    return [["Zoom in", () => set(STEP)], ["Zoom out", () => set(1 / STEP)], ["Whole", back]].map(([name, act]) => {
      const button = element("button", name, {type: "button"});
      button.addEventListener("click", act);
      return button;
    });
  }

  function filterTools(view, {signal, title, values}) {
    const set = element("fieldset", "");
    set.append(element("legend", title));
    const hidden = new Set();
    values.forEach((value) => {
      const label = element("label", ""), box = element("input", "", {type: "checkbox", checked: true});
      box.addEventListener("change", () => {
        if (box.checked) hidden.delete(value); else hidden.add(value);
        view.signal(signal, [...hidden]).runAsync();
      });
      label.append(box, " " + value);
      set.append(label);
    });
    return set;
  }

  async function mount(figure) {
    const held = JSON.parse(figure.querySelector("script").textContent);
    held.datasets.rows = rowsOf(held.datasets.rows);
    const box = element("div", "", {className: "live"});
    const still = figure.querySelector(".drawing > svg");
    still.before(box);
    box.hidden = true;
    const {view} = await vegaEmbed(box, held, {
      ast: true, actions: false, logLevel: 1, renderer: "svg", mode: "vega-lite", tooltip: teller(figure),
      loader: {load: () => Promise.reject(new Error("nothing is loaded"))},
    });
    const tools = figure.querySelector(".tools"), meta = held.usermeta || {};
    if (meta.zoom) {
      tools.append(...zoomTools(view), element("span", "drag to move, Ctrl and wheel to zoom", {className: "hint"}));
    }
    if ((meta.filters || []).length) {
      const filters = element("details", "");
      filters.append(element("summary", "Show and hide"), ...meta.filters.map((one) => filterTools(view, one)));
      tools.append(filters);
    }
    box.hidden = false;
    still.classList.add("still");
    figure.dataset.live = "yes";
  }

  let queue = Promise.resolve();
  const watch = new IntersectionObserver((entries) => entries.forEach((entry) => {
    if (!entry.isIntersecting) return;
    watch.unobserve(entry.target);
    queue = queue.then(() => mount(entry.target)).catch((error) => { entry.target.dataset.live = String(error); });
  }), {rootMargin: "100px"});
  document.querySelectorAll("figure:has(> script)").forEach((figure) => watch.observe(figure));
})();
