// What pages gain with scripts on; every page works without.
"use strict";

// The open menu of a narrow screen closes when the focus leaves it or Escape is pressed.
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  for (const menu of document.querySelectorAll("details.menu[open]")) {
    menu.open = false;
    menu.querySelector("summary").focus();
  }
});

// A form is sent once: a second press while the first is on its way does nothing.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  if (!event.defaultPrevented && !form.hasAttribute("hx-post")) form.dataset.sent = "yes";
});
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});
