"use strict";
/* Shows the state that the bench sends, and sends what the person wishes. All texts go in as text. */
(() => {
  const $ = (id) => document.getElementById(id);
  const all = (selector, place = document) => [...place.querySelectorAll(selector)];
  const seconds = (us, digits = 3) => `${(us / 1e6).toFixed(digits)} s`;
  const put = (element, text) => { if (element.textContent !== text) element.textContent = text; };
  const flag = (element, name, on) => { if (element.classList.contains(name) !== on) element.classList.toggle(name, on); };
  const by = (selector, key) => new Map(all(selector).map((element) => [element.dataset[key], element]));

  const places = by("[data-place]", "place");
  const loads = by("[data-load]", "load");
  const inputs = by("[data-input]", "input");
  const nodeRows = by("tr[data-node]", "node");
  const messageRows = by("tr[data-message]", "message");
  const strips = by("[data-strip]", "strip");
  const counterStrips = by("[data-counters]", "counters");
  const notices = by("[data-notice]", "notice");
  let faults = [];
  let offered = new Map();
  let state = null;
  let armed = "";
  let paused = false;

  // ---- light and dark ----
  const root = document.documentElement;
  const prefersDark = matchMedia("(prefers-color-scheme: dark)");
  const isDark = () => (root.dataset.theme || (prefersDark.matches ? "dark" : "light")) === "dark";
  const nameTheme = () => put($("theme"), isDark() ? "light" : "dark");
  $("theme").hidden = false;
  $("theme").setAttribute("aria-label", "Switch between light and dark");
  $("theme").addEventListener("click", () => { root.dataset.theme = isDark() ? "light" : "dark"; nameTheme(); });
  prefersDark.addEventListener("change", nameTheme);
  nameTheme();

  // ---- the state ----
  const show = (next) => {
    state = next;
    put($("clock"), seconds(state.at, state.paused ? 6 : 3));
    showPace();
    showRules();
    showSaved();
    for (const [name, element] of loads) showLoad(name, element, (state.loads[name] || 0) > 0);
    for (const [name, element] of notices) {
      flag(element, "given", state.notices[name]);
      put(element.querySelector("b"), state.notices[name] ? ": given" : "");
    }
    for (const [name, element] of inputs) showInput(element, state.inputs[name]);
    for (const [name, row] of nodeRows) showNode(name, row, state.nodes[name]);
    showBus();
    showFaults();
    showStrips();
  };

  // ---- the last ten seconds ----
  const SPAN_US = 1e7;
  const TALL = 20; // of a strip, which is 1000 wide
  const across = (us) => Math.max(0, Math.min(1000, Math.round((us - state.at + SPAN_US) * 1e4 / SPAN_US) / 10));
  const boxes = (spans, top, height, least = 0) => spans.filter(([, to]) => to > state.at - SPAN_US)
    .map(([from, to]) => `M${across(from)} ${top}h${Math.max(least, across(to) - across(from)).toFixed(1)}v${height}H${across(from)}z`).join("");
  const draw = (strip, style, path) => {
    const element = strip.querySelector(`path.${style}`);
    if (element.getAttribute("d") !== path) element.setAttribute("d", path);
  };
  const tell = (strip, name, text) => {
    put(strip.querySelector(".allowed"), text);
    const svg = strip.querySelector("svg");
    const label = `${name}: ${text}`;
    if (svg.getAttribute("aria-label") !== label) svg.setAttribute("aria-label", label);
  };
  let stripsDue = 0;
  const showStrips = () => {
    const now = performance.now();
    if (!paused && now < stripsDue) return;
    stripsDue = now + (lessMotion.matches ? 1000 : 0);
    for (const [name, strip] of strips) showStrip(name, strip, state.strips[name]);
    const { frames, failed } = state.bus;
    showBars($("strip-frames"), "load", frames, "frames");
    showBars($("strip-failed"), "failed", failed, "failed attempts");
    for (const [name, strip] of counterStrips) showCounters(name, strip);
  };
  const showStrip = (name, strip, shown) => {
    if (!shown) return;
    draw(strip, "may", boxes(shown.lit, 1, TALL / 2 - 1) + boxes(shown.dark, TALL / 2, TALL / 2 - 1));
    draw(strip, "wrong", boxes(shown.wrong, 0, TALL, 3));
    const height = (level) => (TALL - 3 - (TALL - 6) * level).toFixed(1);
    draw(strip, "level", shown.levels.map(([at, level], place) =>
      `${place ? "H" : "M"}${across(at)}${place ? "V" : " "}${height(level)}`).join("") + (shown.levels.length ? "H1000" : ""));
    const last = shown.levels.length ? shown.levels[shown.levels.length - 1][1] : 0;
    const word = last > 0 ? (last < 1 ? `${Math.round(100 * last)} %` : "on") : "off";
    const behind = Math.round((state.at - state.judged) / 1e6);
    const when = behind > 1 ? `allowed ${behind} s ago` : "allowed";
    tell(strip, name, shown.may ? `${word}; ${when}: ${shown.may}` : `${word}; not judged yet`);
  };
  const showBars = (strip, style, counts, name) => {
    const { begin, step } = state.bus;
    const most = Math.max(1, ...counts);
    draw(strip, style, counts.map((count, place) => {
      const from = begin + place * step;
      return count ? boxes([[from, from + step]], TALL - (TALL * count) / most, (TALL * count) / most) : "";
    }).join(""));
    const sum = counts.reduce((total, count) => total + count, 0);
    tell(strip, name, `${sum}; up to ${Math.max(...counts)} in 0.1 s`);
  };
  const showCounters = (name, strip) => {
    const { begin, step, tec, rec } = state.bus;
    const line = (values) => values.map((value, place) => {
      const height = (TALL - (TALL * Math.min(256, value)) / 256).toFixed(1);
      return `${place ? "V" : `M${across(begin)} `}${height}H${across(begin + (place + 1) * step)}`;
    }).join("");
    draw(strip, "tec", line(tec[name]));
    draw(strip, "rec", line(rec[name]));
    const { bus: doing, tec: now, rec: heard } = state.nodes[name];
    tell(strip, `counters of ${name}`, `TEC ${now}, REC ${heard}, ${doing}`);
  };

  // More than three flashes a second can harm (WCAG 2.3.1), and a fast clock makes that of a lamp
  // that flashes as it should. It is then drawn steadily as one that flashes; so is every one for
  // whoever wants less motion.
  const lessMotion = matchMedia("(prefers-reduced-motion: reduce)");
  const lightings = new Map();
  const isFlashing = (name, lit) => {
    const now = performance.now();
    const times = (lightings.get(name) || []).filter((time) => now - time < 2500);
    if (lit) times.push(now);
    lightings.set(name, times);
    return times.length >= (lessMotion.matches ? 2 : 8);
  };
  const showLoad = (name, element, lit) => {
    const rose = lit && element.dataset.lit !== "1";
    element.dataset.lit = lit ? "1" : "";
    const flashing = isFlashing(name, rose);
    const on = lit || flashing;
    if (element.classList.contains("on") === on && element.classList.contains("flashing") === flashing) return;
    element.classList.toggle("on", on);
    element.classList.toggle("flashing", flashing);
    element.setAttribute("aria-label", `${name}: ${flashing ? "flashing" : on ? "on" : "off"}`);
  };

  const showPace = () => {
    paused = state.paused;
    put($("pause"), paused ? "Go on" : "Pause");
    const speed = String(state.speed);
    if (document.activeElement !== $("speed") && $("speed").value !== speed) $("speed").value = speed;
    const slow = state.pace < 0.95 * state.speed;
    const pace = state.failed ? "over" : state.full ? "full: save, and begin anew"
      : paused ? "standing still" : slow ? `${state.pace.toFixed(1)} × real time: this computer is too slow for ${speed} ×`
      : state.behind ? `behind: up to ${ms(state.late[0])} late` : `${speed} × real time`;
    put($("pace"), pace);
    flag($("pace"), "behind", !paused && (slow || state.behind));
    if (state.failed) lost(state.failed);
    allow(!state.failed, "anew");
  };
  const ms = (us) => `${(us / 1000).toFixed(us < 10000 ? 1 : 0)} ms`;

  const showRules = () => {
    flag($("rules"), "broken", state.broken.length > 0);
    flag($("rules"), "calm", !state.broken.length);
    const count = state.broken.length;
    put($("standing"), state.unjudged ? state.unjudged : count ? `${count === 1 ? "1 rule is" : `${count} rules are`} broken at this moment.`
      : state.judged ? "No rule is broken at this moment." : "Nothing has been judged yet.");
    $("alarm").hidden = !count;
    put($("alarm"), `${count} broken`);
    put($("judged"), state.judged ? `Judged up to ${seconds(state.judged, 1)}.` : "");
    list($("broken"), state.broken.map((entry) => entry.text));
    $("before").hidden = !state.past.length;
    put($("before-title"), `Broken before: ${state.past.length}`);
    list($("past"), state.past.map((entry) => `${seconds(entry.since)} to ${seconds(entry.until)}: ${entry.text}`));
    const wrong = new Set(state.broken.map((entry) => entry.subject));
    for (const places of [loads, strips]) for (const [name, element] of places) flag(element, "amiss", wrong.has(name));
  };
  const showSaved = () => {
    $("saved").hidden = !state.saved.length;
    list($("saved"), state.saved.map((entry) => entry.text
      ? `${entry.name}: ${entry.text} Again: ${entry.again}`
      : `${entry.name}: is being judged, ${Math.round(100 * entry.share)} % done.`));
    state.saved.forEach((entry, index) => flag($("saved").children[index], "working", !entry.text));
  };
  const list = (element, texts) => {
    while (element.children.length > texts.length) element.lastElementChild.remove();
    while (element.children.length < texts.length) element.append(document.createElement("li"));
    texts.forEach((text, index) => put(element.children[index], text));
  };

  // What a person has just set is shown as set, until the bench says so or half a second is over.
  const held = new Map();
  const wish = (name, value) => {
    held.set(name, { value, until: performance.now() + 500 });
    bus.send({ do: "set", input: name, value });
  };
  const showInput = (element, value) => {
    const hold = held.get(element.dataset.input);
    if (hold) {
      if (value !== hold.value && performance.now() < hold.until) return;
      held.delete(element.dataset.input);
    }
    const range = element.querySelector("input[type=range]");
    if (range) {
      if (!range.matches(":active")) range.value = value;
      put(element.querySelector("output"), String(Math.round(value * 10) / 10));
      return;
    }
    for (const radio of all("input[type=radio]", element)) radio.checked = radio.value === value;
  };

  const showNode = (name, row, node) => {
    const cells = row.children;
    put(cells[1], node.program);
    put(cells[2], node.bus);
    put(cells[3], String(node.tec));
    put(cells[4], String(node.rec));
    const drawn = places.get(`node:${name}`);
    if (!drawn) return;
    const calm = node.program === "running" && node.bus === "error-active";
    flag(drawn, "ill", !calm);
    const doing = node.program !== "running" ? node.program : node.bus === "error-active" ? "running" : node.bus;
    put(drawn.querySelector(".doing"), doing);
    const label = `node ${name}: ${doing}`;
    if (drawn.getAttribute("aria-label") !== label) drawn.setAttribute("aria-label", label);
  };

  const showBus = () => {
    $("load-meter").value = state.load;
    put($("load"), `${(100 * state.load).toFixed(1)} %`);
    put($("count"), String(state.frames));
    put($("errors"), String(state.frame_errors));
    showRoom();
    const given = state.given_up ? `; ${seconds(state.given_up, 1)} given up` : "";
    put($("late"), `${ms(state.late[0])} (${ms(state.late[1])} in all, at worst ${ms(state.late[2])}${given})`);
    for (const [name, message] of Object.entries(state.messages)) {
      const cells = (messageRows.get(name) || strangeRow(name)).children;
      put(cells[1], String(message.sent));
      put(cells[2], String(message.failed));
      put(cells[3], seconds(message.at, 2));
      put(cells[4], message.text);
    }
    if ($("recent").open) showFrames();
  };
  const WARN_ROOM = 0.8;
  const showRoom = () => {
    const { room, room_left: left, full } = state;
    const share = `${Math.floor(100 * room)} % full`;
    const minutes = Math.floor(left / 6e7);
    const time = left === null ? "" : minutes > 180 ? `${Math.floor(minutes / 60)} h` : minutes > 1 ? `${minutes} min` : "two minutes";
    $("room-meter").value = room;
    put($("room"), time && !full ? `${share}; at this rate full in ${minutes > 1 ? "" : "less than "}${time}` : share);
    $("crowded").hidden = !full && room < WARN_ROOM;
    put($("crowded"), full ? "The recording is full, so time stands still. Save the session, and begin anew."
      : `The recording is ${share}${time ? `, and at this rate full in ${minutes > 1 ? "" : "less than "}${time}` : ""}. Then time stands still: save the session, and begin anew.`);
  };
  const strangeRow = (name) => {
    const row = document.createElement("tr");
    const head = document.createElement("th");
    head.scope = "row";
    head.textContent = name;
    row.append(head);
    for (let index = 0; index < 4; index += 1) row.append(document.createElement("td"));
    $("messages").append(row);
    messageRows.set(name, row);
    return row;
  };
  let framesDue = 0;
  const showFrames = () => {
    if (!paused && performance.now() < framesDue) return;
    framesDue = performance.now() + 250; // eyes follow no more than four lists a second
    const body = $("frames");
    const newest = [...state.last].reverse();
    while (body.children.length > newest.length) body.lastElementChild.remove();
    while (body.children.length < newest.length) {
      const row = document.createElement("tr");
      for (const kind of ["num", "code", "", "", "code", ""]) {
        const cell = document.createElement("td");
        cell.className = kind;
        row.append(cell);
      }
      body.append(row);
    }
    newest.forEach((frame, index) => {
      const row = body.children[index];
      flag(row, "failed", Boolean(frame.failed));
      [seconds(frame.at, 4), frame.identifier, frame.name, frame.sender, frame.data,
        frame.failed ? `failed: ${frame.failed}` : frame.text].forEach((text, cell) => put(row.children[cell], text));
    });
  };

  // ---- faults that are there ----
  let shownFaults = "";
  const showFaults = () => {
    const key = state.faults.map((fault) => fault.number).join();
    if (key === shownFaults) return;
    shownFaults = key;
    $("active").replaceChildren(...state.faults.map((fault) => {
      const item = document.createElement("li");
      const text = document.createElement("span");
      text.textContent = `${fault.text} (since ${seconds(fault.since, 1)})`;
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Clear";
      button.setAttribute("aria-label", `Clear: ${fault.text}`);
      button.addEventListener("click", () => bus.send({ do: "clear", fault: fault.number }));
      item.append(text);
      if (fault.number >= 0) item.append(button);
      return item;
    }));
    $("none").hidden = state.faults.length > 0;
    $("clear-all").hidden = state.faults.length < 2;
    const kinds = new Map();
    for (const { number } of state.faults) {
      for (const place of (faults[number] || { places: [] }).places) {
        kinds.set(place, [...(kinds.get(place) || []), faults[number].kind]);
      }
    }
    for (const [place, element] of places) {
      const there = kinds.get(place) || [];
      flag(element, "cut", there.includes("cut"));
      const badge = element.querySelector(".badge");
      if (badge) put(badge, there.length ? `⚡ ${[...new Set(there)].join(", ")}` : "");
    }
  };
  $("clear-all").addEventListener("click", () => bus.send({ do: "clear_all" }));

  // ---- faults to choose from ----
  let pageShown = "";
  bus.on("plan", (plan) => {
    if (pageShown && plan.page !== pageShown) location.reload(); // another car, or another bench
    pageShown = plan.page;
    faults = plan.faults;
    offered = new Map();
    for (const fault of faults) {
      for (const place of fault.places) offered.set(place, [...(offered.get(place) || []), fault]);
    }
    const which = $("which");
    which.replaceChildren();
    let group = null;
    for (const fault of faults) {
      if (!group || group.label !== fault.kind) {
        group = document.createElement("optgroup");
        group.label = fault.kind;
        which.append(group);
      }
      const option = document.createElement("option");
      option.value = String(fault.number);
      option.textContent = fault.text;
      group.append(option);
    }
    for (const [name, element] of loads) { // one that no fault fits is nothing to press
      if (!fitting(`load:${name}`, "").length) continue;
      element.tabIndex = 0;
      element.setAttribute("role", "button");
    }
    arm("");
    shownFaults = "?";
  });
  $("by-hand").addEventListener("submit", (event) => {
    event.preventDefault();
    bus.send({ do: "apply", fault: Number($("which").value) });
  });

  const fitting = (place, kind) => (offered.get(place) || []).filter((fault) => !kind || fault.kind === kind);
  const arm = (kind) => {
    armed = kind;
    for (const button of all(".kind")) button.setAttribute("aria-pressed", String(button.dataset.kind === kind));
    for (const [place, element] of places) {
      flag(element, "can", Boolean(kind) && fitting(place, kind).length > 0);
    }
    put($("hint"), kind ? `${kind}: now choose where. Esc lets go of it.`
      : "Choose a node, a piece of cable or a load to break it, or a fault below first.");
  };
  for (const button of all(".kind")) {
    button.addEventListener("click", () => {
      const kind = button.dataset.kind;
      const alike = faults.filter((fault) => fault.kind === kind);
      if (alike.some((fault) => !fault.places.length)) choose(kind, alike); // nowhere to drop some of them
      else arm(armed === kind ? "" : kind);
    });
  }

  const dialog = $("choice");
  const choose = (title, found, there = []) => {
    put($("choice-title"), title);
    const item = (text, message, kind) => {
      const line = document.createElement("li");
      const button = document.createElement("button");
      line.className = kind;
      button.type = "button";
      button.textContent = text;
      button.addEventListener("click", () => { bus.send(message); dialog.close(); });
      line.append(button);
      return line;
    };
    dialog.querySelector("ul").replaceChildren(
      ...there.map((fault) => item(`Clear: ${fault.text}`, { do: "clear", fault: fault.number }, "clears")),
      ...found.map((fault) => item(`${fault.kind}: ${fault.text}`, { do: "apply", fault: fault.number }, "applies")));
    dialog.showModal();
  };
  const drop = (place, kind) => {
    if (!allowed) return;
    const found = fitting(place, kind);
    const name = place.slice(place.indexOf(":") + 1).replace("|", " to ");
    const active = new Set((state ? state.faults : []).map((fault) => fault.number));
    const there = fitting(place, kind).filter((fault) => active.has(fault.number));
    arm("");
    if (kind && found.length === 1) bus.send({ do: "apply", fault: found[0].number });
    else if (found.length) choose(name, found.filter((fault) => !active.has(fault.number)), there);
  };
  const placeOf = (target) => target && target.closest && target.closest("[data-place]");
  for (const [place, element] of places) {
    element.addEventListener("click", (event) => {
      const asks = element.matches(".node, .gap, .load") || event.target.closest(".break");
      if (armed && fitting(place, armed).length) { event.preventDefault(); drop(place, armed); }
      else if (!armed && asks) drop(place, "");
    });
    element.addEventListener("keydown", (event) => {
      if (event.target !== element || (event.key !== "Enter" && event.key !== " ")) return;
      event.preventDefault();
      drop(place, armed);
    });
  }

  // ---- dragging, with a mouse or a pen; fingers choose and then point ----
  let drag = null;
  let dragged = -Infinity;
  for (const button of all(".kind")) {
    button.addEventListener("pointerdown", (event) => {
      if (event.pointerType !== "touch" && event.button === 0) drag = { kind: button.dataset.kind, x: event.clientX, y: event.clientY, far: false };
    });
  }
  const hover = (element) => { for (const [, one] of places) flag(one, "over", one === element); };
  addEventListener("pointermove", (event) => {
    if (!drag) return;
    if (!drag.far && Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > 6) {
      drag.far = true;
      arm(drag.kind);
      put($("ghost"), drag.kind);
      $("ghost").hidden = false;
    }
    if (!drag.far) return;
    event.preventDefault();
    $("ghost").style.left = `${event.clientX + 10}px`;
    $("ghost").style.top = `${event.clientY + 8}px`;
    if (event.clientY < 60) scrollBy(0, -14);
    if (event.clientY > innerHeight - 60) scrollBy(0, 14);
    const element = placeOf(document.elementFromPoint(event.clientX, event.clientY));
    hover(element && element.classList.contains("can") ? element : null);
  });
  addEventListener("pointerup", (event) => {
    if (!drag) return;
    const { far, kind } = drag;
    drag = null;
    $("ghost").hidden = true;
    hover(null);
    if (!far) return;
    const element = placeOf(document.elementFromPoint(event.clientX, event.clientY));
    if (element && fitting(element.dataset.place, kind).length) drop(element.dataset.place, kind);
    else arm("");
    dragged = performance.now();
  });
  addEventListener("click", (event) => { // the one that ends a drag is none
    if (performance.now() - dragged < 50) { event.stopPropagation(); event.preventDefault(); }
  }, { capture: true });

  // ---- the driver ----
  for (const [name, element] of inputs) {
    const range = element.querySelector("input[type=range]");
    if (!range) {
      element.addEventListener("change", (event) => wish(name, event.target.value));
      continue;
    }
    const step = 10 ** Math.floor(Math.log10((range.max - range.min) / 100));
    range.step = String(step);
    let due = 0;
    range.addEventListener("input", () => { // ten values a second are a smooth sensor
      put(element.querySelector("output"), range.value);
      const now = performance.now();
      if (now >= due) { due = now + 100; wish(name, Number(range.value)); }
    });
    range.addEventListener("change", () => wish(name, Number(range.value)));
  }

  // ---- nodes, time, saving ----
  for (const button of all("[data-reset]")) {
    button.addEventListener("click", () => {
      const place = `node:${button.dataset.reset}`;
      const reset = fitting(place, "reset")[0];
      if (reset) bus.send({ do: "apply", fault: reset.number });
    });
  }
  const step = (to) => bus.send({ do: "step", to });
  const pause = () => bus.send({ do: paused ? "resume" : "pause" });
  $("pause").addEventListener("click", pause);
  for (const button of all("[data-step]")) button.addEventListener("click", () => step(button.dataset.step));
  $("speed").addEventListener("change", () => { bus.send({ do: "speed", value: Number($("speed").value) }); $("speed").blur(); });
  $("save").addEventListener("click", () => { say("Saving ..."); bus.send({ do: "save", name: $("name").value }); });
  $("anew").addEventListener("click", () => { say("Beginning anew ..."); bus.send({ do: "anew" }); });
  addEventListener("keydown", (event) => {
    if (event.key === "Escape") { arm(""); return; }
    if (event.ctrlKey || event.metaKey || event.altKey || dialog.open || event.target.matches("input:not([type=radio]), select, textarea")) return;
    if (event.key === "p") pause();
    if (event.key === "c") step("change");
    if (event.key === "f") step("frame");
    if (event.key === "e") step("event");
  });

  const say = (text, refused = false) => { put($("said"), text); flag($("said"), "refused", refused); };
  const lost = (text) => { put($("lost"), text); $("lost").hidden = false; };
  // Without a bench, or with one that is over, nothing that a person does has an effect.
  let allowed = true;
  const allow = (can, except = null) => {
    if (can === allowed) return;
    allowed = can;
    flag(document.body, "gone", !can);
    if (!can && dialog.open) dialog.close();
    for (const control of all("main button, main input, main select")) control.disabled = !can && control.id !== except;
    for (const [, place] of places) {
      if (place.matches("[role=button]")) place.setAttribute("aria-disabled", String(!can));
    }
  };
  bus.on("said", (text) => say(text));
  bus.on("refused", (text) => say(text, true));
  let heard = performance.now();
  bus.on("state", (next) => { heard = performance.now(); if (!next.failed) $("lost").hidden = true; show(next); });
  setInterval(() => {
    if (!document.hidden && $("lost").hidden && performance.now() - heard > 3000) {
      lost("Nothing has come from the bench for three seconds. A program may hold it up.");
    }
  }, 1000);
  bus.on("open", () => { heard = performance.now(); $("lost").hidden = true; allow(true); });
  bus.on("lost", () => {
    allow(false);
    lost("The bench does not answer. It may have been stopped. Nothing can be set until it is back; this page keeps trying.");
  });
  bus.on("stranger", () => lost("Another bench is at this address now. Open the address that it printed when it started."));
  bus.on("unsent", () => say("The bench does not answer: nothing was changed.", true));
  bus.connect();
})();
