// Keeps a view that is looked at up to date without reloading it. Everything works without this file.
"use strict";
(() => {
  const main = document.getElementById("main");
  if (!main || !("live" in main.dataset) || !window.EventSource) return;
  let isBusy = false;
  let isStale = false;

  // Somebody who writes or reads figures is not disturbed.
  const isInUse = () => {
    const active = document.activeElement;
    return active && main.contains(active) && /^(INPUT|SELECT|TEXTAREA)$/.test(active.tagName);
  };
  const address = (element) => {
    const all = [...main.querySelectorAll(element.tagName)];
    return [element.tagName, all.indexOf(element)];
  };
  // What an alarm says without its newest reading, which alone is renewed where the rest is the same: a screen reader would say it all anew.
  const said = (alarm) => [...alarm.children].map((line) => (line.matches(".newest") ? "" : line.textContent)).join("\n");
  const put = (fresh) => {
    const [before, after] = [main.querySelector(".alarm"), fresh.querySelector(".alarm")];
    if (!before || !after || said(before) !== said(after)) {
      main.replaceChildren(...fresh.childNodes);
      return;
    }
    const renewed = [...after.querySelectorAll(".newest")];
    before.querySelectorAll(".newest").forEach((line, index) => line.replaceWith(renewed[index]));
    after.remove();
    for (const node of [...main.childNodes]) if (node !== before) node.remove();
    main.append(...fresh.childNodes);
  };
  const renew = async () => {
    if (isBusy || document.hidden || isInUse()) {
      isStale = true;
      return;
    }
    isBusy = true;
    isStale = false;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, redirect: "error" });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("main");
      if (!fresh || isInUse()) return;
      const open = [...main.querySelectorAll("details")].map((details) => details.open);
      const active = main.contains(document.activeElement) ? address(document.activeElement) : null;
      put(fresh);
      main.querySelectorAll("details").forEach((details, index) => (details.open = open[index] ?? false));
      if (active) main.querySelectorAll(active[0])[active[1]]?.focus({ preventScroll: true });
    } catch {
      // The collector may be starting anew; the next sign tries again.
    } finally {
      isBusy = false;
    }
  };
  const source = new EventSource("/live");
  source.addEventListener("changed", renew);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && isStale) renew();
  });
})();
