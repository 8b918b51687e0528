"use strict";
// The tall picture of a pass: place across, time down, a row a frame. What is pointed at is shown
// enlarged below. `views` holds one picture for each clip of the pass; lights in order of time.
const pass = (() => {
  const ROW = 16, LEFT = 100, RIGHT = 26, MOST_TALL = 12000; // pixels of the page
  const INK = "#16181b", GATE = "#0061a1", RED = "#a33b00", FAINT = "#c9ccd1", CHOSEN = "#e69f00";
  let views = [], at = 0, chosen = 0, from = 0, pointed = null, busy = false, asked = 0;
  const pictures = new Map(); // by address

  const element = (id) => document.getElementById(id);
  const view = () => views[at];
  const shownLight = () => (pointed === null ? chosen : pointed);
  const stretch = () => (pointed === null || pointed === chosen ? [Math.min(from, chosen), Math.max(from, chosen)] : [pointed, pointed]);

  function start() {
    const tall = element("tall");
    tall.addEventListener("pointermove", (event) => point(near(event)));
    tall.addEventListener("pointerleave", () => point(null));
    tall.addEventListener("click", (event) => { const found = near(event); if (found !== null) choose(found, event.shiftKey); tall.focus(); });
    tall.addEventListener("keydown", key);
    element("dismiss").addEventListener("click", dismiss);
    new ResizeObserver(draw).observe(element("drawn"));
    draw();
  }

  function show(state) {
    asked = state.asked;
    busy = false;
    const before = view() && view().lights[chosen], clip = view() && view().clip;
    views = state.views.map((row) => ({ ...row, film: row.film || null }));
    at = Math.max(0, views.findIndex((row) => row.clip === clip));
    if (view()) chosen = from = nearestTo(before);
    pointed = null;
    buttons();
    draw();
    keep();
    element("tall").dataset.asked = String(asked);
  }

  function nearestTo(light) {
    const lights = view().lights;
    if (!light) return Math.floor(lights.length / 2);
    let best = 0;
    lights.forEach((row, index) => { if (Math.abs(row.stamp - light.stamp) < Math.abs(lights[best].stamp - light.stamp)) best = index; });
    return best;
  }

  function film(number, found) {
    if (!views[number]) return;
    views[number].film = found;
    draw();
    if (number === at) keep();
    element("tall").dataset.filmed = String(number);
  }

  function picture(address) {
    if (!pictures.has(address)) {
      const image = new Image();
      image.onload = draw;
      image.src = address;
      pictures.set(address, image);
    }
    const image = pictures.get(address);
    return image.complete && image.naturalWidth ? image : null;
  }

  function buttons() {
    const home = element("views");
    home.replaceChildren(...(views.length < 2 ? [] : views.map((row, index) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "act";
      button.textContent = `${row.camera}: ${row.clip}`;
      button.setAttribute("aria-pressed", String(index === at));
      button.addEventListener("click", () => turn(index));
      return button;
    })));
  }

  function turn(index) {
    const before = view().lights[chosen];
    at = (index + views.length) % views.length;
    chosen = nearestTo(null);
    if (before && before.x !== null) {
      const lights = view().lights;
      lights.forEach((row, k) => { if (Math.abs(row.x - before.x) < Math.abs(lights[chosen].x - before.x)) chosen = k; });
    }
    from = chosen;
    pointed = null;
    buttons();
    draw();
  }

  // Where things stand on the page.
  function frame() {
    const now = view(), wide = element("drawn").clientWidth;
    const span = now.film ? [now.film.early, now.film.late] : now.span;
    const metres = now.film ? [now.film.from, now.film.to] : now.metres;
    const row = Math.min(ROW, MOST_TALL / ((span[1] - span[0]) / now.interval));
    const perSecond = row / now.interval;
    return {
      wide, tall: Math.ceil((span[1] - span[0]) * perSecond) + 24, row, span, metres,
      x: (m) => LEFT + (m - metres[0]) / (metres[1] - metres[0]) * (wide - LEFT - RIGHT),
      y: (s) => 12 + (s - span[0]) * perSecond,
    };
  }

  function paper(canvas, wide, tall) {
    const ratio = Math.min(window.devicePixelRatio || 1, 16000 / tall);
    canvas.width = Math.round(wide * ratio);
    canvas.height = Math.round(tall * ratio);
    canvas.style.height = `${tall}px`;
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, wide, tall);
    pen.font = "15px system-ui, sans-serif";
    pen.lineWidth = 1;
    return pen;
  }

  function draw() {
    if (!element("drawn").clientWidth) return;
    if (!view()) { nothing(); return; }
    const on = frame(), pen = paper(element("tall"), on.wide, on.tall), now = view();
    if (now.film) {
      const image = picture(now.film.whole);
      if (image) pen.drawImage(image, on.x(on.metres[0]), on.y(on.span[0]), on.x(on.metres[1]) - on.x(on.metres[0]), on.y(on.span[1]) - on.y(on.span[0]));
    }
    const mine = now.lights[shownLight()], [first, last] = stretch();
    now.lights.slice(first, last + 1).forEach((light) => {
      pen.fillStyle = CHOSEN;
      pen.globalAlpha = light === mine ? 0.45 : 0.25;
      pen.fillRect(0, on.y(light.seen) - on.row / 2, on.wide, on.row);
      pen.globalAlpha = 1;
    });
    times(pen, on, now, mine);
    [0, now.length].forEach((m) => { pen.strokeStyle = GATE; pen.lineWidth = 2; line(pen, on.x(m), 0, on.x(m), on.tall); });
    now.lights.forEach((light) => mark(pen, on, light, now.enlarged));
    across(on, now);
    close(mine);
  }

  function nothing() {
    paper(element("across"), element("drawn").clientWidth, 34);
    const pen = paper(element("tall"), element("drawn").clientWidth, 80);
    pen.fillStyle = INK;
    if (asked) pen.fillText("No light is taken for the craft.", 24, 40);
    element("light").textContent = "";
    element("dismiss").disabled = true;
    element("frame").getContext("2d").clearRect(0, 0, 704, 400);
  }

  function times(pen, on, now, mine) {
    const step = round(48 / (on.row / now.interval));
    pen.fillStyle = INK;
    pen.strokeStyle = FAINT;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const first = Math.ceil((on.span[0] - now.zero) / step);
    for (let k = first; now.zero + k * step <= on.span[1]; k += 1) {
      const y = on.y(now.zero + k * step);
      line(pen, LEFT - 8, y, LEFT, y);
      if (!mine || Math.abs(y - on.y(mine.seen)) > 18) pen.fillText(`${Math.round(1e4 * k * step) / 10} ms`, LEFT - 12, y);
    }
    if (mine) {
      pen.font = "bold 15px system-ui, sans-serif";
      pen.fillText(`${(1e3 * (mine.seen - now.zero)).toFixed(1)} ms`, LEFT - 12, on.y(mine.seen));
      pen.font = "15px system-ui, sans-serif";
    }
  }

  const round = (least) => {
    const power = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].map((step) => step * power).find((step) => step >= least * 0.999);
  };

  // The light itself stays as it was filmed: marks stand to both sides of it.
  function mark(pen, on, light, enlarged) {
    if (light.x === null) return;
    const x = on.x(light.x), y = on.y(light.seen);
    pen.lineWidth = 2;
    pen.strokeStyle = light.state === "used" ? GATE : RED;
    if (light.state === "dismissed") {
      pen.strokeRect(x - 13, y - 6, 26, 12);
      line(pen, x - 22, y + 6, x - 14, y - 6);
      line(pen, x + 14, y + 6, x + 22, y - 6);
    } else if (light.state === "used") {
      line(pen, x - 20, y, x - 12, y);
      line(pen, x + 12, y, x + 20, y);
    } else {
      [-16, 16].forEach((s) => { line(pen, x + s - 4, y - 4, x + s + 4, y + 4); line(pen, x + s - 4, y + 4, x + s + 4, y - 4); });
    }
    if (light.left) {
      [["#ffffff", 5], [RED, 2.5]].forEach(([colour, wide]) => {
        pen.strokeStyle = colour;
        pen.lineWidth = wide;
        line(pen, x, y, x + enlarged * light.left[0], y + enlarged * light.left[1]);
      });
    }
  }

  function line(pen, u, v, s, t) {
    pen.beginPath();
    pen.moveTo(u, v);
    pen.lineTo(s, t);
    pen.stroke();
  }

  function across(on, now) {
    const pen = paper(element("across"), on.wide, 34);
    const step = round(90 * (on.metres[1] - on.metres[0]) / (on.wide - LEFT - RIGHT));
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.strokeStyle = INK;
    const gates = [[0, "start gate"], [now.length, "finish gate"]];
    for (let k = Math.ceil(on.metres[0] / step); k * step <= on.metres[1]; k += 1) {
      const x = on.x(k * step);
      line(pen, x, 26, x, 34);
      pen.fillStyle = INK;
      if (gates.every(([m]) => Math.abs(on.x(m) - x) > 70)) pen.fillText(`${Number((k * step).toFixed(3))} m`, x, 14);
    }
    pen.fillStyle = pen.strokeStyle = GATE;
    pen.font = "bold 15px system-ui, sans-serif";
    pen.lineWidth = 2;
    gates.forEach(([m, name]) => {
      const half = pen.measureText(name).width / 2 + 2;
      line(pen, on.x(m), 24, on.x(m), 34);
      pen.fillText(name, Math.min(Math.max(on.x(m), half), on.wide - half), 14);
    });
  }

  function close(mine) {
    const canvas = element("frame"), pen = canvas.getContext("2d"), now = view();
    pen.fillStyle = "#101214";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    element("light").textContent = mine ? mine.words : "";
    const button = element("dismiss");
    button.disabled = busy || !mine;
    const [first, last] = stretch(), what = first === last ? "this light" : `these ${last - first + 1} lights`;
    button.textContent = `${mine && mine.state === "dismissed" ? "Restore" : "Dismiss"} ${what}`;
    const index = shownLight(), film = now.film;
    const image = film && mine && film.near[index] ? picture(film.near[index]) : null;
    canvas.dataset.light = image ? String(index) : "";
    if (!image) {
      pen.fillStyle = "#ffffff";
      pen.font = "22px system-ui, sans-serif";
      pen.fillText(now.unseen || "the frame is not here yet", 24, 48, canvas.width - 48);
      return;
    }
    const zoom = canvas.width / image.naturalWidth;
    pen.imageSmoothingEnabled = false;
    pen.drawImage(image, 0, 0, canvas.width, image.naturalHeight * zoom);
    const [u, v] = [0, 1].map((k) => (mine.at[k] - film.corner[index][k] + 0.5) * zoom);
    pen.lineWidth = 3;
    pen.strokeStyle = mine.state === "used" ? "#56b4e9" : "#ff8a5c";
    pen.beginPath();
    pen.arc(u, v, 12 * zoom, 0, 2 * Math.PI);
    pen.stroke();
    if (mine.left) line(pen, u, v, u + 4 * now.enlarged * mine.left[0], v + 4 * now.enlarged * mine.left[1]);
  }

  function near(event) {
    if (!view()) return null;
    const box = element("tall").getBoundingClientRect(), on = frame();
    const [u, v] = [event.clientX - box.left, event.clientY - box.top];
    let best = null, least = 30;
    view().lights.forEach((light, index) => {
      const away = Math.abs(on.y(light.seen) - v) + (light.x === null ? 0 : Math.abs(on.x(light.x) - u) / 1e4);
      if (away < least) { least = away; best = index; }
    });
    return best;
  }

  function point(index) {
    if (index === pointed) return;
    pointed = index;
    draw();
  }

  function choose(index, further = false) {
    chosen = index;
    if (!further) from = index;
    pointed = null;
    keep();
    draw();
  }

  // The chosen light stays in sight.
  function keep(index = chosen) {
    if (!view() || !view().lights[index]) return;
    const home = element("drawn"), y = frame().y(view().lights[index].seen) + 34;
    if (y < home.scrollTop + 60 || y > home.scrollTop + home.clientHeight - 30) home.scrollTop = y - home.clientHeight / 2;
  }

  function key(event) {
    const last = view() ? view().lights.length - 1 : -1;
    const steps = { ArrowDown: 1, ArrowUp: -1, PageDown: 10, PageUp: -10, Home: -last, End: last };
    if (event.ctrlKey || event.metaKey || event.altKey || last < 0) return;
    if (event.key in steps) choose(Math.min(Math.max((event.shiftKey ? chosen : shownLight()) + steps[event.key], 0), last), event.shiftKey);
    else if (event.key === "ArrowLeft" && views.length > 1) turn(at - 1);
    else if (event.key === "ArrowRight" && views.length > 1) turn(at + 1);
    else if (event.key === "d" || event.key === "D" || event.key === "Delete") dismiss();
    else return;
    event.preventDefault();
  }

  function dismiss() {
    if (busy || !view() || !view().lights[shownLight()]) return;
    const [first, last] = stretch();
    if (pointed !== null && pointed !== chosen) choose(pointed);
    busy = true;
    element("dismiss").disabled = true;
    emitEvent("vidspeed-light", { asked, view: at, light: chosen, first, last });
  }

  return {
    start, show, film, keep,
    unseen: (number, why) => { if (views[number]) { views[number].unseen = why; draw(); } },
    free: () => { busy = false; draw(); },
    state: () => ({ at, chosen, pointed, views }),
    place: (index) => { const on = frame(), light = view().lights[index]; return [on.x(light.x), on.y(light.seen)]; },
  };
})();
