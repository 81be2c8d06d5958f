/* nightferry page: night view, frames sorted and chosen in place, a frame enlarged with its header. */
"use strict";
(() => {
  const KEPT = "nightferry-view";
  const root = document.documentElement;

  function kept() {
    try { return localStorage.getItem(KEPT); } catch { return null; }
  }

  // Some browsers let each file on a disk keep things for itself alone: links carry the view along as well.
  let view = new URLSearchParams(location.search).get("view") || kept();

  // Before anything is drawn: a white page in the dark costs half an hour of adapted eyes.
  if (view === "night") root.dataset.view = "night";

  function viewButton() {
    const button = document.getElementById("view");
    button.setAttribute("aria-pressed", String(view === "night"));
    button.hidden = false;
    button.addEventListener("click", () => {
      view = view === "night" ? "day" : "night";
      if (view === "night") root.dataset.view = "night"; else delete root.dataset.view;
      button.setAttribute("aria-pressed", String(view === "night"));
      try {
        localStorage.setItem(KEPT, view);
        history.replaceState(null, "", `?view=${view}${location.hash}`);
      } catch { /* links carry it */ }
    });
    document.addEventListener("click", (event) => {
      const link = event.target.closest("a[href]");
      const leaves = link && !link.getAttribute("href").startsWith("#") && link.pathname.endsWith(".html");
      if (view && leaves && link.protocol === location.protocol) link.search = `?view=${view}`;
    }, true);
  }

  const at = (id) => document.getElementById(id);
  const number = (frame, name) => (name in frame.dataset ? Number(frame.dataset[name]) : NaN);

  function frameList() {
    const groups = [...document.querySelectorAll(".group")];
    if (!groups.length) return;
    const frames = groups.flatMap((group) =>
      [...group.querySelectorAll(".frame")].map((element) => ({
        element, home: element.parentElement, group, dataset: element.dataset,
        night: group.dataset.night, target: group.dataset.target, filter: group.dataset.filter,
      })));
    const choices = ["night", "target", "filter", "exposure"].filter(at);
    for (const name of choices) fill(at(name), frames, name);
    const fields = ["sort", "falling", "least-stars", "most-size", "with-findings", ...choices].map(at);
    const show = () => showFrames(groups, frames, choices);
    for (const field of fields) field.addEventListener(field.type === "number" ? "input" : "change", show);
    at("reset").addEventListener("click", () => {
      for (const field of fields) {
        if (field.type === "checkbox") field.checked = false; else field.value = "";
      }
      show();
    });
    document.querySelector(".controls").hidden = false;
    show();
    enlarging(frames);
  }

  const valueOf = (frame, name) => (name === "exposure" ? frame.dataset.exposure : frame[name]);

  function fill(select, frames, name) {
    const values = [...new Set(frames.map((frame) => valueOf(frame, name)))].filter((value) => value !== undefined);
    values.sort((one, other) => one.localeCompare(other, undefined, { numeric: true }));
    for (const value of values) {
      const option = document.createElement("option");
      option.value = value;
      option.textContent = name === "exposure" ? `${value} s` : value;
      select.append(option);
    }
  }

  function isChosen(frame, choices) {
    for (const name of choices) {
      const wanted = at(name).value;
      if (wanted !== "" && valueOf(frame, name) !== wanted) return false;
    }
    const stars = at("least-stars").value, size = at("most-size").value;
    if (stars !== "" && !(number(frame, "stars") >= Number(stars))) return false;
    if (size !== "" && !(number(frame, "size") <= Number(size))) return false;
    return !at("with-findings").checked || "findings" in frame.dataset;
  }

  function showFrames(groups, frames, choices) {
    const by = at("sort").value, falling = at("falling").checked;
    let count = 0;
    for (const frame of frames) {
      frame.element.hidden = !isChosen(frame, choices);
      count += frame.element.hidden ? 0 : 1;
    }
    const order = [...frames];
    if (by !== "") {
      order.sort((one, other) => {
        const first = number(one, by), second = number(other, by);
        if (Number.isNaN(first) || Number.isNaN(second)) return Number.isNaN(first) - Number.isNaN(second);
        return falling ? second - first : first - second;
      });
    } else if (falling) {
      order.reverse();
    }
    const flat = by !== "";
    at("sorted").hidden = !flat;
    at("groups").hidden = flat;
    for (const frame of order) (flat ? at("sorted") : frame.home).append(frame.element);
    for (const group of groups) group.hidden = !group.querySelector(".frame:not([hidden])");
    at("shown").textContent = `${count} of ${frames.length} frames shown.`;
  }

  const headers = new Map();
  let waiting = null;

  // Each header is a script of its own: a page that is opened from a disk may load nothing else.
  window.nightferry = {
    header(digest, told) {
      headers.set(digest, told);
      if (waiting === digest) showHeader(digest);
    },
  };

  function showHeader(digest) {
    const told = headers.get(digest);
    const why = told.why ? [`No picture: ${told.why}.`, ""] : [];
    at("large-header").textContent = [...why, ...told.cards].join("\n") || "The header is not known.";
  }

  function loadHeader(digest, up) {
    waiting = digest;
    if (headers.has(digest)) { showHeader(digest); return; }
    at("large-header").textContent = "";
    const script = document.createElement("script");
    script.src = `${up}pictures/${digest.slice(0, 2)}/${digest}.js`;
    script.addEventListener("error", () => {
      if (waiting === digest) at("large-header").textContent = "The header is not kept. Run nightferry page again.";
    });
    document.head.append(script);
  }

  function enlarging(frames) {
    const dialog = at("large");
    const links = new Map(frames.map((frame) => [frame.element.querySelector("a"), frame]));
    const up = document.querySelector("link[rel=stylesheet]").getAttribute("href").replace(/look\/.*/, "");
    let now = null;

    function shown() {
      return [...document.querySelectorAll(".frame:not([hidden]) > a")].filter((link) => !link.closest(".group[hidden]"));
    }

    function show(link) {
      now = link;
      const frame = links.get(link), picture = link.querySelector("img");
      at("large-title").textContent = link.dataset.name;
      at("large-picture").parentElement.hidden = !picture;
      if (picture) at("large-picture").src = picture.getAttribute("src");
      at("large-picture").alt = `The frame ${link.dataset.name}`;
      const told = [frame.night, frame.target, frame.filter, link.textContent.trim(),
        ...[...frame.element.querySelectorAll("p span, .findings li")].map((one) => one.textContent.trim())];
      at("large-told").textContent = told.filter(Boolean).join(" · ");
      at("large-file").hidden = !link.dataset.file;
      if (link.dataset.file) at("large-file").href = link.dataset.file;
      const all = shown(), place = all.indexOf(link);
      at("before").disabled = place <= 0;
      at("after").disabled = place < 0 || place === all.length - 1;
      loadHeader(link.dataset.digest, up);
    }

    function step(by) {
      const all = shown(), next = all[all.indexOf(now) + by];
      if (next) show(next);
    }

    document.addEventListener("click", (event) => {
      const link = event.target.closest(".frame > a");
      if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
      event.preventDefault();
      show(link);
      dialog.showModal();
    });
    at("before").addEventListener("click", () => step(-1));
    at("after").addEventListener("click", () => step(1));
    at("close").addEventListener("click", () => dialog.close());
    dialog.addEventListener("click", (event) => { if (event.target === dialog) dialog.close(); });
    dialog.addEventListener("close", () => { if (now) now.focus(); });
    dialog.addEventListener("keydown", (event) => {
      if (event.target.closest("pre")) return;
      if (event.key === "ArrowLeft") step(-1);
      if (event.key === "ArrowRight") step(1);
    });
  }

  document.addEventListener("DOMContentLoaded", () => { viewButton(); frameList(); });
})();
