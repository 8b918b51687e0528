"use strict";
// Files that are dropped on the page, or chosen: sent one after the other, each a request whose body
// is the file. Whatever a file is called is shown as text.
(() => {
  const waiting = [];
  let sending = false;
  const started = () => document.getElementById("drop") !== null;

  function row(text) {
    const item = document.createElement("li");
    const words = document.createElement("span");
    words.textContent = text;
    item.append(words);
    document.getElementById("arriving").append(item);
    return { item, words };
  }

  function add(files) {
    const chosen = document.getElementById("camera");
    const camera = chosen ? chosen.value.trim() : "";
    for (const file of files) waiting.push({ file, camera, ...row(`${file.name}: waits`) });
    next();
  }

  function next() {
    if (sending || !waiting.length) return;
    sending = true;
    const { file, camera, item, words } = waiting.shift();
    const began = performance.now();
    const request = new XMLHttpRequest();
    const button = document.createElement("button");
    button.textContent = "Cancel";
    button.addEventListener("click", () => request.abort());
    item.append(" ", button);
    request.upload.onprogress = (event) => {
      const passed = (performance.now() - began) / 1000;
      const left = event.loaded ? (event.total / event.loaded - 1) * passed : 0;
      const share = event.total ? Math.floor((100 * event.loaded) / event.total) : 0;
      words.textContent = `${file.name}: ${share} %, ${(event.loaded / 1e6 / passed).toFixed(1)} MB a second, ${left.toFixed(0)} s left`;
    };
    request.onloadend = () => {
      let said = "";
      try { said = JSON.parse(request.responseText).said; } catch { said = ""; }
      words.textContent = said || `${file.name}: was not sent`;
      item.dataset.state = request.status === 200 ? "there" : "failed";
      button.remove();
      sending = false;
      emitEvent("vidspeed-dropped", { there: request.status === 200 });
      next();
    };
    const where = new URL(document.getElementById("drop").dataset.to, location.href);
    where.searchParams.set("name", file.name);
    if (camera) where.searchParams.set("camera", camera);
    request.open("PUT", where);
    request.send(file);
  }

  function listen() {
    if (!started()) { setTimeout(listen, 100); return; }
    const drop = document.getElementById("drop");
    const over = (on) => (event) => { event.preventDefault(); drop.classList.toggle("over", on); };
    document.addEventListener("dragover", over(true));
    document.addEventListener("dragleave", over(false));
    document.addEventListener("drop", (event) => { over(false)(event); add(event.dataTransfer.files); });
    const chosen = document.getElementById("files");
    chosen.addEventListener("change", () => { add(chosen.files); chosen.value = ""; });
    drop.dataset.ready = "yes";
  }
  listen();
})();
