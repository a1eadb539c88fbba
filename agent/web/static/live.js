// Keeps the live parts of a page fresh: on each change that the agent announces, the page is fetched
// anew and its parts marked data-live are replaced. Without this script the page reloads itself.
"use strict";
(() => {
  const pace = 2000; // ms, the least time between two refreshes
  const link = document.getElementById("link");
  let timer = null;
  let last = 0;
  let stale = false;

  async function refresh() {
    timer = null;
    if (document.hidden) {
      stale = true;
      return;
    }
    last = Date.now();
    stale = false;
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (!answer.ok) throw new Error(answer.statusText);
      replaceParts(new DOMParser().parseFromString(await answer.text(), "text/html"));
      link.textContent = "";
    } catch {
      link.textContent = "The agent does not answer; this page may be out of date.";
    }
  }

  function replaceParts(fresh) {
    const focus = document.activeElement?.getAttribute("href");
    for (const old of document.querySelectorAll("[data-live]")) {
      const part = fresh.getElementById(old.id);
      if (part && part.innerHTML !== old.innerHTML) {
        const held = old.contains(document.activeElement);
        old.replaceWith(part);
        if (held && focus) part.querySelector(`[href="${CSS.escape(focus)}"]`)?.focus({ preventScroll: true });
      }
    }
  }

  function schedule() {
    timer ??= setTimeout(refresh, Math.max(0, last + pace - Date.now()));
  }

  const events = new EventSource("/events");
  events.addEventListener("change", schedule);
  events.addEventListener("error", () => {
    link.textContent = "Connection to the agent lost; trying again.";
  });
  events.addEventListener("open", schedule); // what changed while there was no connection
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && stale) schedule();
  });
})();
