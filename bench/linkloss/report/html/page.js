"use strict";
/* Makes the page move: the theme, the arrow keys in the table, the zoom of the pictures. Without
   it all is there too, only still. */
(() => {
  const root = document.documentElement;
  const all = (place, selector) => [...place.querySelectorAll(selector)];

  // ---- light and dark ----
  const theme = document.getElementById("theme");
  const prefersDark = matchMedia("(prefers-color-scheme: dark)");
  const isDark = () => (root.dataset.theme || (prefersDark.matches ? "dark" : "light")) === "dark";
  const nameTheme = () => { theme.textContent = isDark() ? "light" : "dark"; };
  theme.hidden = false;
  theme.setAttribute("aria-label", "Switch between light and dark");
  theme.addEventListener("click", () => {
    root.dataset.theme = isDark() ? "light" : "dark";
    nameTheme();
  });
  prefersDark.addEventListener("change", nameTheme);
  nameTheme();

  // ---- paper: a few sheets, or all of it with what is folded away ----
  const PAPER_PX = 540; // of a plot on A4
  let paper = false;
  let folded = [];
  const drawn = [];
  addEventListener("beforeprint", () => {
    const open = root.dataset.print === "full" || !document.getElementById("whole") ? "details.rest, details.frames, .story > details" : "details.causes-more";
    folded = all(document, open).filter((d) => !d.open);
    folded.forEach((d) => { d.open = true; });
    paper = true;
    drawn.forEach((draw) => draw());
  });
  addEventListener("afterprint", () => {
    folded.forEach((d) => { d.open = false; });
    delete root.dataset.print;
    paper = false;
    drawn.forEach((draw) => draw());
  });
  const whole = document.getElementById("whole");
  if (whole) {
    whole.hidden = false;
    whole.addEventListener("click", () => { root.dataset.print = "full"; print(); });
  }

  // ---- the table of fuses ----
  const why = document.getElementById("why");
  for (const table of all(document, "table.fuses")) {
    const rows = all(table, "tbody tr:not(.block)").map((row) => all(row, "td"));
    const heads = all(table, "thead th");
    table.setAttribute("role", "grid");
    const find = (cell) => {
      const y = rows.findIndex((row) => row.includes(cell));
      return [y, y < 0 ? -1 : rows[y].indexOf(cell)];
    };
    rows.flat().forEach((cell) => { cell.tabIndex = -1; });
    all(table, "td a").forEach((link) => { link.tabIndex = -1; });
    let current = table.querySelector("td.broken") || (rows[0] && rows[0][0]);
    if (current) current.tabIndex = 0;

    const tell = (cell, y, x) => {
      const mark = cell.querySelector("svg");
      const subject = cell.parentElement.querySelector("th").textContent;
      why.textContent = "";
      why.classList.add("told");
      const text = (words) => why.append(words);
      const strong = document.createElement("b");
      strong.append(subject, ", ", heads[x].textContent);
      why.append(strong);
      text(mark ? `: ${mark.getAttribute("aria-label")}` : ": no such rule");
      const margin = cell.querySelector("b");
      if (margin) text(cell.classList.contains("broken") ? `, by ${margin.textContent}` : `, smallest margin ${margin.textContent}`);
      if (cell.dataset.r) text(`; rules: ${cell.dataset.r}`);
      for (const [index, anchor] of (cell.dataset.l || "").split(" ").filter(Boolean).entries()) {
        const link = document.createElement("a");
        link.href = `#${anchor}`;
        link.textContent = `finding ${anchor.replace("finding-", "")}`;
        text(index ? ", " : "; see ");
        why.append(link);
      }
    };
    const move = (cell, focus) => {
      const [y, x] = find(cell);
      if (y < 0) return;
      if (current) current.tabIndex = -1;
      current = cell;
      cell.tabIndex = 0;
      if (focus) cell.focus();
      tell(cell, y, x);
    };
    table.addEventListener("focusin", (event) => {
      const cell = event.target.closest("td");
      if (cell) move(cell, false);
    });
    table.addEventListener("pointerover", (event) => {
      const cell = event.target.closest("td");
      if (!cell || table.contains(document.activeElement)) return;
      const [y, x] = find(cell);
      if (y >= 0) tell(cell, y, x);
    });
    table.addEventListener("click", (event) => {
      const cell = event.target.closest("td");
      if (cell && !event.target.closest("a")) move(cell, true);
    });
    table.addEventListener("keydown", (event) => {
      const [y, x] = find(event.target.closest("td"));
      if (y < 0) return;
      const steps = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
      if (event.key === "Enter") {
        const link = rows[y][x].querySelector("a");
        if (link) link.click();
      } else if (event.key === "Home") {
        move(rows[y][0], true);
      } else if (event.key === "End") {
        move(rows[y][rows[y].length - 1], true);
      } else if (event.key in steps) {
        const [dy, dx] = steps[event.key];
        const row = rows[y + dy];
        if (row && row[x + dx]) move(row[x + dx], true);
      } else {
        return;
      }
      event.preventDefault();
    });
  }
  const reach = () => {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.classList.contains("story")) target.focus({ preventScroll: true });
  };
  addEventListener("hashchange", reach);

  // ---- pictures ----
  const UNITS_PER_S = 100000;
  const LEAST = 20; // 0.2 ms
  const LETTER = 6.6;

  const prepare = (picture) => {
    const board = picture.querySelector(".board");
    const plots = all(board, ".plot");
    const windows = all(picture, "svg.window");
    const labels = all(board, ".plot text[data-a]");
    const axis = board.querySelector(".ticks");
    const nows = all(board, ".now");
    const read = picture.querySelector(".read");
    const values = JSON.parse(picture.querySelector("script").textContent);
    const names = all(board, ".names bdi").map((name) => name.textContent);
    const end = Number(picture.dataset.end);
    const focus = [Number(picture.dataset.from), Number(picture.dataset.to)];
    let from = 0;
    let to = end;
    let cursor = null;
    let lane = -1;
    const cursors = plots.map((plot) => {
      const line = document.createElement("div");
      line.className = "cursor";
      line.hidden = true;
      plot.append(line);
      return line;
    });
    const width = () => (paper ? PAPER_PX : plots[0].clientWidth || 1);
    const seconds = (at, digits) => `${(at / UNITS_PER_S).toFixed(digits)} s`;

    const drawTicks = () => {
      let step = 1; // 10 us
      const most = Math.max(2, Math.floor(width() / 95));
      const next = () => String(step).startsWith("2") ? step * 2.5 : step * 2;
      const shown = (each) => Math.floor(to / each) - Math.ceil(from / each) + 1;
      while ((to - from) / step > most && shown(next()) > 1) step = next();
      const digits = Math.max(0, 5 - Math.floor(Math.log10(step)));
      axis.textContent = "";
      let grid = "";
      for (let at = Math.ceil(from / step) * step; at <= to; at += step) {
        const text = document.createElementNS("http://www.w3.org/2000/svg", "text");
        const share = (at - from) / (to - from);
        text.setAttribute("x", `${100 * share}%`);
        text.setAttribute("y", "15");
        if (share > 0.94) { text.setAttribute("text-anchor", "end"); text.setAttribute("dx", "-8"); }
        text.textContent = seconds(at, digits);
        axis.append(text);
        grid += `M${at} 0v9999`;
      }
      for (const view of windows) {
        let path = view.querySelector(".tick");
        if (!path) {
          path = document.createElementNS("http://www.w3.org/2000/svg", "path");
          path.setAttribute("class", "tick");
          view.prepend(path);
        }
        path.setAttribute("d", grid);
      }
    };
    const drawLabels = () => {
      const scale = width() / (to - from);
      for (const label of labels) {
        const a = Math.max(from, Number(label.dataset.a));
        const b = Math.min(to, Number(label.dataset.b));
        label.classList.toggle("no", (b - a) * scale < label.textContent.length * LETTER + 8);
        label.setAttribute("x", `${(100 * (a - from)) / (to - from)}%`);
      }
    };
    const drawCursor = () => {
      const share = cursor === null ? -1 : (cursor - from) / (to - from);
      for (const line of cursors) {
        line.hidden = share < 0 || share > 1;
        line.style.left = `${100 * share}%`;
      }
    };
    const draw = () => {
      for (const view of windows) {
        view.setAttribute("viewBox", `${from} 0 ${to - from} ${view.getAttribute("height")}`);
      }
      picture.dataset.seen = `${Math.round(from)} ${Math.round(to)}`;
      drawTicks();
      drawLabels();
      drawCursor();
    };
    const valueAt = (changes, at) => {
      let found = "";
      for (const [since, text] of changes) {
        if (since > at) break;
        found = text;
      }
      return found;
    };
    const point = (at) => {
      cursor = Math.min(end, Math.max(0, at));
      nows.forEach((now, index) => { now.textContent = valueAt(values[index], cursor); });
      const told = lane >= 0 && names[lane] ? `, ${names[lane]}: ${valueAt(values[lane], cursor)}` : "";
      read.textContent = seconds(cursor, 4) + told;
      drawCursor();
    };
    const show = (a, b) => {
      const span = Math.min(end, Math.max(LEAST, b - a));
      from = Math.min(end - span, Math.max(0, a));
      to = from + span;
      draw();
    };
    const zoom = (factor, at) => {
      const middle = at === undefined ? (cursor !== null && cursor >= from && cursor <= to ? cursor : (from + to) / 2) : at;
      show(middle - (middle - from) * factor, middle + (to - middle) * factor);
    };
    const pan = (share) => show(from + share * (to - from), to + share * (to - from));
    const deeds = {
      in: () => zoom(0.5), out: () => zoom(2), left: () => pan(-0.25), right: () => pan(0.25),
      all: () => show(0, end), focus: () => show(focus[0], focus[1]),
    };
    picture.querySelector(".tools").hidden = false;
    all(picture, ".tools button").forEach((button) => {
      button.addEventListener("click", () => deeds[button.dataset.do]());
    });

    const place = (event) => {
      const box = plots[0].getBoundingClientRect();
      return from + ((event.clientX - box.left) / box.width) * (to - from);
    };
    let grabbed = null;
    for (const plot of plots) {
      plot.addEventListener("pointermove", (event) => {
        if (grabbed !== null) {
          const moved = grabbed.at - place(event);
          show(from + moved, to + moved);
          return;
        }
        const own = all(plot.parentElement, ".names li");
        const index = Math.floor((event.clientY - plot.getBoundingClientRect().top) / 26);
        lane = own[index] ? nows.indexOf(own[index].querySelector(".now")) : -1;
        point(place(event));
      });
      plot.addEventListener("pointerdown", (event) => {
        if (event.button !== 0 || event.pointerType === "touch") return;
        grabbed = { at: place(event) };
        plot.setPointerCapture(event.pointerId);
      });
      plot.addEventListener("pointerup", () => { grabbed = null; });
      plot.addEventListener("pointercancel", () => { grabbed = null; });
      plot.addEventListener("dblclick", (event) => zoom(0.4, place(event)));
      plot.addEventListener("wheel", (event) => {
        if (!(event.ctrlKey || event.metaKey || event.shiftKey)) return;
        event.preventDefault();
        const turn = event.deltaY || event.deltaX;
        zoom(turn > 0 ? 1.25 : 0.8, place(event));
      }, { passive: false });
    }
    board.addEventListener("keydown", (event) => {
      if (event.target !== board || event.ctrlKey || event.altKey || event.metaKey) return;
      const step = (to - from) / (event.shiftKey ? 10 : 100);
      const at = cursor === null ? focus[0] : cursor;
      const keys = {
        ArrowLeft: () => point(at - step), ArrowRight: () => point(at + step),
        ArrowUp: () => { lane = Math.max(0, lane - 1); point(at); },
        ArrowDown: () => { lane = Math.min(names.length - 1, lane + 1); point(at); },
        "+": deeds.in, "=": deeds.in, "-": deeds.out, Home: deeds.all, Enter: deeds.focus,
        PageUp: deeds.left, PageDown: deeds.right,
      };
      if (!(event.key in keys)) return;
      keys[event.key]();
      if (cursor < from || cursor > to) show(cursor - (to - from) / 2, cursor + (to - from) / 2);
      event.preventDefault();
    });
    drawn.push(draw);
    new ResizeObserver(draw).observe(plots[0]);
    draw();
  };

  // A long report has many pictures: each is made ready when it comes near the screen.
  const near = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting) {
        near.unobserve(entry.target);
        prepare(entry.target);
      }
    }
  }, { rootMargin: "600px" });
  all(document, ".picture").forEach((picture) => near.observe(picture));
  reach();
})();
