"use strict";
// Everything works without this file but keys, speed, the line over the pictures, and news.
(() => {
  const one = (selector, within = document) => within.querySelector(selector);
  const every = (selector, within = document) => Array.from(within.querySelectorAll(selector));
  const remembered = {
    get: (name) => { try { return localStorage.getItem(name); } catch { return null; } },
    set: (name, text) => { try { localStorage.setItem(name, text); } catch { /* a private window keeps nothing */ } },
  };
  const remember = (box, name) => {
    if (!box) return;
    box.checked = remembered.get(name) === "yes";
    box.addEventListener("change", () => remembered.set(name, box.checked ? "yes" : "no"));
  };

  every("[data-with-script], [data-do], #all").forEach((part) => { part.hidden = false; });
  const sheet = one("#keys");
  every('[data-do="keys"]').forEach((button) => button.addEventListener("click", () => sheet.showModal()));
  every('[data-do="close"]').forEach((button) => button.addEventListener("click", () => sheet.close()));
  remember(one("#keys-off"), "keys-off");

  // Listening.
  const clip = one("#clip"), speed = one("#speed"), loop = one("#loop"), pictures = one("#pictures");
  if (clip) {
    const place = one("#place");
    remember(loop, "loop");
    remember(one("#at-once"), "at-once");
    remember(one("#go-on"), "go-on");
    speed.value = remembered.get("speed") || "1";
    const set = () => { clip.playbackRate = Number(speed.value) || 1; clip.loop = loop.checked; };
    speed.addEventListener("change", () => { remembered.set("speed", speed.value); set(); });
    loop.addEventListener("change", set);
    clip.addEventListener("loadedmetadata", set);
    set();
    const follow = () => {
      if (clip.duration > 0) place.style.left = `${100 * clip.currentTime / clip.duration}%`;
      if (!clip.paused) requestAnimationFrame(follow);
    };
    for (const sort of ["play", "seeked", "timeupdate"]) clip.addEventListener(sort, follow);
    pictures.addEventListener("click", (press) => {
      const box = pictures.getBoundingClientRect();
      if (clip.duration > 0) clip.currentTime = clip.duration * (press.clientX - box.left) / box.width;
    });
    if (one("#at-once").checked) clip.play().catch(() => {}); // a browser may want a touch first
  } else {
    remember(one("#go-on"), "go-on");
  }
  const faster = (steps) => {
    if (!speed) return;
    speed.selectedIndex = Math.min(speed.options.length - 1, Math.max(0, speed.selectedIndex + steps));
    speed.dispatchEvent(new Event("change"));
  };

  // The list.
  const lines = every("#several .entry");
  const all = one("#all");
  if (all) all.addEventListener("change", () => lines.forEach((line) => { one("input", line).checked = all.checked; }));
  const here = () => lines.findIndex((line) => line.contains(document.activeElement));
  const step = (steps) => {
    const named = one(`[data-key="${steps > 0 ? "." : ","}"]`);
    if (named) { named.click(); return; }
    if (!lines.length) return;
    const at = here();
    const to = Math.min(lines.length - 1, Math.max(0, at < 0 ? 0 : at + steps));
    one(".open", lines[to]).focus();
  };
  const mark = (verdict) => {
    const form = one("#verdict") || one("#several");
    if (!form) return;
    if (form.id === "several" && !every('input[name="entry"]:checked', form).length) {
      if (here() < 0) return;
      one("input", lines[here()]).checked = true;
    }
    const button = one(`button[name="mark"][value="${verdict}"]`, form);
    if (button) button.click();
  };

  const keys = {
    ".": () => step(1),
    ",": () => step(-1),
    x: () => { if (here() >= 0) one("input", lines[here()]).click(); },
    " ": () => { if (clip) { if (clip.paused) clip.play().catch(() => {}); else clip.pause(); } },
    "[": () => { if (clip) clip.currentTime = Math.max(0, clip.currentTime - 2); },
    "]": () => { if (clip) clip.currentTime += 2; },
    "+": () => faster(1),
    "=": () => faster(1),
    "-": () => faster(-1),
    o: () => { if (loop) loop.click(); },
    r: () => mark("routine"),
    l: () => mark("look into it"),
    c: () => mark("call for help"),
    w: () => mark("wrong opening"),
    h: () => mark("not yet heard"),
    u: () => { const button = one('[data-key="u"]'); if (button) button.click(); },
    n: () => { const note = one("#note"); if (note) note.focus(); },
    g: () => { const link = one('[data-key="g"]'); if (link) link.click(); },
    "/": () => {
      const words = one("#words");
      if (words) { one(".filters").open = true; words.focus(); }
    },
    "?": () => { if (sheet.open) sheet.close(); else sheet.showModal(); },
  };
  document.addEventListener("keydown", (press) => {
    if (press.ctrlKey || press.altKey || press.metaKey || press.defaultPrevented || press.isComposing) return;
    const at = press.target;
    const typing = at.matches('textarea, select, input:not([type="checkbox"])');
    if (typing) { if (press.key === "Escape") at.blur(); return; }
    const off = one("#keys-off").checked;
    if ((sheet.open || off) && press.key !== "?") return;
    if (press.key === " " && at.matches("button, a, summary, input, audio")) return;
    const act = keys[press.key];
    if (act) { press.preventDefault(); act(); }
  });

  // News. Nothing on the page moves by itself; a line at the top offers to load it again.
  const news = one("#news"), list = one("#several"), waiting = one("[data-waiting]");
  let first = null;
  if (window.EventSource && (list || waiting)) {
    const source = new EventSource("/news");
    source.addEventListener("heard", (message) => {
      const told = JSON.parse(message.data);
      if (waiting && told.ordered) { location.reload(); return; }
      // Counted from when the page was made, not from when the first message came.
      if (first === null) first = list ? Number(list.dataset.total) : told.total;
      const fresh = told.total - first;
      if (fresh > 0) {
        news.hidden = false;
        news.textContent = `${fresh} heard since you opened this page. `;
        const again = document.createElement("a");
        again.href = location.href;
        again.textContent = "Show";
        news.append(again);
      }
    });
    window.addEventListener("pagehide", () => source.close());
  }
})();
