"use strict";
// The picture on the page. One pair of functions turns places of the picture frame into places of
// the page and back: in the picture frame (0, 0) is the middle of the first pixel, on the page the
// picture begins at that pixel's corner, half a pixel before it.
const picking = (() => {
  const view = { zoom: 1, left: -0.5, top: -0.5 }; // picture frame at the canvas's corner
  let canvas, near, still = null, markers = [], chosen = null, pointer = null, drag = null;
  let asked = 0; // how many changes were asked for: an answer to an earlier one is out of date

  const toPage = (x, y) => [(x - view.left) * view.zoom, (y - view.top) * view.zoom];
  const toPicture = (u, v) => [u / view.zoom + view.left, v / view.zoom + view.top];

  const marker = (name) => markers.find((row) => row.name === name);
  const send = (act, more) => emitEvent("vidspeed-pick", { act, name: chosen, asked: ++asked, ...more });

  function start(what) {
    canvas = document.getElementById("still");
    near = document.getElementById("near");
    still = new Image();
    still.onload = () => { fit(); draw(); canvas.dataset.loaded = "yes"; };
    still.src = what.still;
    canvas.addEventListener("pointerdown", down);
    canvas.addEventListener("pointermove", move);
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("wheel", wheel, { passive: false });
    canvas.addEventListener("keydown", key);
    new ResizeObserver(() => { fit(); draw(); }).observe(canvas);
  }

  function fit() {
    canvas.width = canvas.clientWidth;
    canvas.height = canvas.clientHeight;
    if (!still.naturalWidth) return;
    view.zoom = Math.min(canvas.width / still.naturalWidth, canvas.height / still.naturalHeight);
    view.left = view.top = -0.5;
  }

  function show(state) {
    if (state.asked < asked) return;
    markers = state.markers;
    if (!marker(chosen)) chosen = (markers.find((row) => !row.pick) || markers[0] || {}).name;
    list();
    draw();
  }

  function list() {
    const home = document.getElementById("markers");
    home.replaceChildren(...markers.map((row) => {
      const button = document.createElement("button");
      const left = document.createElement("span");
      const place = document.createElement("span");
      const name = document.createElement("span");
      name.textContent = row.name + (row.use === "check" ? " (check)" : "");
      place.textContent = row.pick ? row.pick.map((value) => value.toFixed(1)).join(", ") : "–";
      left.textContent = row.left ? Math.hypot(...row.left).toFixed(2) + " px" : "";
      left.className = row.odd ? "odd" : "";
      button.append(name, place, left);
      button.setAttribute("aria-pressed", String(row.name === chosen));
      button.addEventListener("click", () => choose(row.name));
      return button;
    }));
  }

  function choose(name) {
    chosen = name;
    const row = marker(name), at = row && (row.pick || row.there);
    if (at) { const [u, v] = toPage(...at); if (!inside(u, v)) centre(...at); }
    list();
    draw();
    canvas.focus();
  }

  const inside = (u, v) => u >= 0 && v >= 0 && u <= canvas.width && v <= canvas.height;

  function centre(x, y) {
    view.left = x - canvas.width / 2 / view.zoom;
    view.top = y - canvas.height / 2 / view.zoom;
  }

  function zoomTo(zoom, u, v) {
    const [x, y] = toPicture(u, v);
    view.zoom = Math.min(Math.max(zoom, 0.05), 64);
    view.left = x - u / view.zoom;
    view.top = y - v / view.zoom;
    draw();
  }

  function draw() {
    const pen = canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, canvas.width, canvas.height);
    if (!still || !still.naturalWidth) return;
    pen.imageSmoothingEnabled = view.zoom < 2;
    const [u, v] = toPage(-0.5, -0.5);
    pen.drawImage(still, u, v, still.naturalWidth * view.zoom, still.naturalHeight * view.zoom);
    markers.forEach((row) => drawMarker(pen, row));
    drawNear();
  }

  function drawMarker(pen, row) {
    const mine = row.name === chosen;
    pen.lineWidth = mine ? 3 : 2;
    pen.font = "16px system-ui, sans-serif";
    if (row.there) {
      const [u, v] = toPage(...row.there);
      pen.strokeStyle = "#ffffff";
      line(pen, u - 6, v, u + 6, v);
      line(pen, u, v - 6, u, v + 6);
      if (!row.pick) { pen.fillStyle = "#ffffff"; pen.fillText(row.name.slice(0, 24), u + 9, v - 6); }
    }
    if (!row.pick) return;
    const [u, v] = toPage(...row.pick);
    pen.strokeStyle = pen.fillStyle = mine ? "#e69f00" : "#56b4e9";
    pen.beginPath();
    pen.arc(u, v, 9, 0, 2 * Math.PI);
    pen.stroke();
    pen.fillText(row.name.slice(0, 24), u + 12, v - 8);
    if (row.left) {
      pen.strokeStyle = "#d55e00";
      line(pen, u, v, u + 20 * row.left[0], v + 20 * row.left[1]);
    }
  }

  function line(pen, u, v, s, t) {
    pen.beginPath();
    pen.moveTo(u, v);
    pen.lineTo(s, t);
    pen.stroke();
  }

  function drawNear() {
    const row = marker(chosen), at = pointer || (row && row.pick);
    const pen = near.getContext("2d"), side = near.width, zoom = 12, span = side / zoom;
    pen.clearRect(0, 0, side, side);
    document.getElementById("where").textContent = at ? at.map((value) => value.toFixed(1)).join(", ") + " px" : "";
    if (!at) return;
    pen.imageSmoothingEnabled = false;
    const [left, top] = [at[0] + 0.5 - span / 2, at[1] + 0.5 - span / 2]; // from the picture's corner
    pen.drawImage(still, -left * zoom, -top * zoom, still.naturalWidth * zoom, still.naturalHeight * zoom);
    pen.strokeStyle = "#e69f00";
    line(pen, side / 2 - 14, side / 2, side / 2 - 3, side / 2);
    line(pen, side / 2 + 3, side / 2, side / 2 + 14, side / 2);
    line(pen, side / 2, side / 2 - 14, side / 2, side / 2 - 3);
    line(pen, side / 2, side / 2 + 3, side / 2, side / 2 + 14);
  }

  function place(event) {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  function down(event) {
    canvas.focus();
    drag = { at: place(event), left: view.left, top: view.top, moved: false };
  }

  function move(event) {
    const [u, v] = place(event);
    pointer = toPicture(u, v);
    if (drag) {
      const [du, dv] = [u - drag.at[0], v - drag.at[1]];
      drag.moved = drag.moved || Math.hypot(du, dv) > 4;
      if (drag.moved) { view.left = drag.left - du / view.zoom; view.top = drag.top - dv / view.zoom; draw(); return; }
    }
    drawNear();
  }

  function up(event) {
    const was = drag;
    drag = null;
    if (!was || was.moved || !chosen) return;
    const [x, y] = toPicture(...was.at);
    pointer = null;
    send("place", { x, y });
  }

  function wheel(event) {
    event.preventDefault();
    zoomTo(view.zoom * Math.exp(-event.deltaY / 300), ...place(event));
  }

  function key(event) {
    const step = event.shiftKey ? 1 : 0.1;
    const nudges = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    const row = marker(chosen), order = markers.findIndex((each) => each.name === chosen);
    const letters = { u: "undo", r: "redo", l: "lamp", c: "corner", Delete: "remove" };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (nudges[event.key] && row && row.pick) {
      const [dx, dy] = nudges[event.key];
      row.pick = [row.pick[0] + dx, row.pick[1] + dy];
      pointer = null;
      draw();
      send("place", { x: row.pick[0], y: row.pick[1] });
    } else if (event.key === "+" || event.key === "=" || event.key === "-") {
      const at = row && row.pick ? toPage(...row.pick) : [canvas.width / 2, canvas.height / 2];
      zoomTo(view.zoom * (event.key === "-" ? 1 / 1.5 : 1.5), ...at);
    } else if (event.key === "n" || event.key === "p") {
      const next = (order + (event.key === "n" ? 1 : markers.length - 1)) % markers.length;
      choose(markers[next].name);
    } else if (letters[event.key]) {
      act(letters[event.key]);
    } else return;
    event.preventDefault();
  }

  function act(what) {
    const row = marker(chosen), at = (row && row.pick) || pointer;
    if (what === "lamp" || what === "corner") { if (at) send(what, { x: at[0], y: at[1] }); }
    else send(what, {});
    pointer = null;
  }

  return { start, show, act, choose, toPage, toPicture, view, zoomTo, centre, state: () => ({ markers, chosen }) };
})();
