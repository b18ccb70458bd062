// Replaces parts of the page that the server sends anew, filters the sheet, and sends orders.
"use strict";
(() => {
  const says = (text) => { const place = document.getElementById("says"); if (place) place.textContent = text; };
  const nameField = document.getElementById("filter-name");
  const stateField = document.getElementById("filter-state");

  const filter = () => {
    if (!nameField || !stateField) return;
    const wanted = nameField.value.trim().toLowerCase();
    const state = stateField.value;
    for (const row of document.querySelectorAll("tr[data-variant]")) {
      const named = row.dataset.variant.toLowerCase().includes(wanted);
      const cells = row.querySelectorAll("td[data-state]");
      const inState = !state || [...cells].some((cell) => cell.dataset.state === state);
      row.hidden = !(named && inState);
    }
    for (const card of document.querySelectorAll(".groups > [data-state]")) {
      card.hidden = Boolean(state) && card.dataset.state !== state;
    }
  };

  const take = (event) => {
    const part = JSON.parse(event.data);
    const place = document.getElementById(part.id);
    if (!place) return;
    if (place.contains(document.activeElement) && document.activeElement.tagName === "INPUT") return;
    place.innerHTML = part.html;
    if (part.state) place.dataset.state = part.state;
    filter();
  };

  const listen = (address, names) => {
    const stream = new EventSource(address);
    for (const [name, does] of Object.entries(names)) stream.addEventListener(name, does);
    stream.addEventListener("end", () => stream.close());
    addEventListener("pagehide", () => stream.close());
  };

  if (document.body.dataset.events) {
    listen(document.body.dataset.events, { part: take, says: (event) => says(event.data) });
  }
  const log = document.getElementById("log");
  if (log && log.dataset.log) {
    listen(log.dataset.log, { log: (event) => {
      const atEnd = log.scrollHeight - log.scrollTop - log.clientHeight < 40;
      log.append(JSON.parse(event.data));
      if (atEnd) log.scrollTop = log.scrollHeight;
    } });
  }
  for (const field of [nameField, stateField]) if (field) field.addEventListener("input", filter);
  const filters = document.getElementById("filters");
  if (filters) filters.addEventListener("submit", (event) => event.preventDefault());

  document.addEventListener("click", async (event) => {
    const button = event.target.closest("button[data-order]");
    if (!button) return;
    const order = button.dataset.order;
    if (order.endsWith("/stop") && !confirm("Stop this run? Running items are ended; finished ones are kept.")) return;
    const note = button.parentElement.querySelector("input");
    const address = note && note.value ? order + "&note=" + encodeURIComponent(note.value) : order;
    button.disabled = true;
    try {
      const answer = await fetch(address, { method: "POST", headers: { "x-tidemill-order": "1" } });
      says(await answer.text());
      if (answer.ok && /\/(again|approve|reject)/.test(order)) setTimeout(() => location.reload(), 500);
    } catch {
      says("The coordinator cannot be reached.");
    }
    button.disabled = false;
  });
})();
