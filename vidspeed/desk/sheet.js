"use strict";
// A CSV file as a table of fields. Everything in it is set as a value or as text, never as markup.
const sheet = (() => {
  let columns = [], body = null, timer = 0;
  const rows = () => [...body.rows].map((row) => ({
    line: row.dataset.line === "" ? null : Number(row.dataset.line),
    cells: [...row.querySelectorAll("input, select")].map((field) => field.value),
  }));
  const send = (act) => emitEvent("vidspeed-sheet", { act, rows: rows() });

  function later() {
    clearTimeout(timer);
    timer = setTimeout(() => send("judge"), 350);
  }

  // A choice that is none stays to be seen, and the reader says what is wrong with it.
  function fill(made, text) {
    if (made.tagName === "SELECT") {
      const same = [...made.options].find((option) => option.value === text.toLowerCase());
      if (!same) made.append(new Option(text, text));
      made.value = same ? same.value : text;
    } else {
      made.value = text;
    }
  }

  function field(column, text, number) {
    const made = document.createElement(column.choices ? "select" : "input");
    for (const choice of column.choices || []) made.append(new Option(choice || "–", choice));
    fill(made, text);
    made.setAttribute("aria-label", `${column.label}, row ${number}`);
    made.dataset.column = column.name;
    made.addEventListener("input", later);
    return made;
  }

  function add(line, cells) {
    const row = body.insertRow();
    row.dataset.line = line === null ? "" : String(line);
    columns.forEach((column, at) => row.insertCell().append(field(column, cells[at] || "", body.rows.length)));
    const away = document.createElement("button");
    away.textContent = "Take away";
    away.setAttribute("aria-label", `Take row ${body.rows.length} away`);
    away.addEventListener("click", () => { row.remove(); later(); });
    row.insertCell().append(away);
    return row;
  }

  function at(row, column) { return row.querySelectorAll("input, select")[column]; }

  function key(event) {
    if (event.key !== "Enter" || event.target.tagName !== "INPUT") return;
    event.preventDefault();
    const row = event.target.closest("tr");
    const column = [...row.querySelectorAll("input, select")].indexOf(event.target);
    at(row.nextElementSibling || add(null, []), column).focus();
  }

  function paste(event) {
    const text = event.clipboardData.getData("text/plain").replace(/\r/g, "").replace(/\n$/, "");
    if (event.target.tagName !== "INPUT" || !/[\t\n]/.test(text)) return;
    event.preventDefault();
    let row = event.target.closest("tr");
    const first = [...row.querySelectorAll("input, select")].indexOf(event.target);
    for (const line of text.split("\n")) {
      line.split("\t").slice(0, columns.length - first).forEach((cell, step) => { fill(at(row, first + step), cell.trim()); });
      row = row.nextElementSibling || add(null, []);
    }
    later();
  }

  function start(what) {
    columns = what.columns;
    const home = document.getElementById("sheet");
    const table = document.createElement("table");
    const head = table.createTHead().insertRow();
    for (const column of columns) {
      const cell = document.createElement("th");
      cell.scope = "col";
      cell.textContent = column.unit ? `${column.label}, ${column.unit}` : column.label;
      cell.title = column.help;
      head.append(cell);
    }
    head.append(document.createElement("td"));
    body = table.createTBody();
    home.replaceChildren(table);
    for (const row of what.rows) add(row.line, row.cells);
    add(null, []);
    table.addEventListener("keydown", key);
    table.addEventListener("paste", paste);
    home.dataset.ready = "yes";
    send("judge");
  }

  function faults(found) {
    for (const cell of body.querySelectorAll("[aria-invalid]")) {
      cell.removeAttribute("aria-invalid");
      cell.title = "";
    }
    for (const fault of found) {
      const row = body.rows[fault.row];
      const wrong = row && row.querySelector(`[data-column="${fault.column}"]`);
      if (wrong) { wrong.setAttribute("aria-invalid", "true"); wrong.title = fault.text; }
    }
  }

  // The lines of the file after it was written: rows that were new have one now.
  function kept(lines) {
    lines.forEach((line, at) => { if (body.rows[at]) body.rows[at].dataset.line = line === null ? "" : String(line); });
  }

  return { start, faults, kept, send, more: () => at(add(null, []), 0).focus() };
})();
