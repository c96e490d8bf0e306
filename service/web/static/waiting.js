// Findings and cards written down where there is no connection: kept in this browser and sent once it is back, each once.
"use strict";

(() => {
  const STORE = "weakspot-waiting";
  const EVERY_MS = 20000;
  
  const kept = () => JSON.parse(localStorage.getItem(STORE) || "[]");
  const keep = (list) => localStorage.setItem(STORE, JSON.stringify(list));

  function show() {
    const said = document.getElementById("waiting"); // a page that was put in has its own
    if (!said) return;
    const list = kept();
    said.hidden = list.length === 0;
    said.replaceChildren();
    for (const item of list) {
      const line = document.createElement("p");
      line.textContent = item.refused ? said.dataset.refused.replace("%s", item.title) : said.dataset.kept.replace("%s", item.title);
      if (item.refused) {
        const link = document.createElement("a");
        link.href = item.action;
        link.textContent = said.dataset.again;
        link.addEventListener("click", (event) => { event.preventDefault(); reopen(item); });
        line.append(" ", link);
      }
      said.append(line);
    }
  }

  // The token of the page now open: the one the finding was written under may be over.
  function withToken(body) {
    const fields = new URLSearchParams(body);
    const token = document.querySelector("input[name=csrf_token]");
    if (token) fields.set("csrf_token", token.value);
    return fields;
  }

  const post = (action, body, more = {}) => fetch(action, { method: "POST", body: withToken(body), headers: { Accept: "text/html", ...more } });

  // The page that a refused form is answered with holds what was written, and says what to change.
  async function showAnswer(answer) {
    if (answer.redirected) {
      location.assign(answer.url);
      return;
    }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const main = page.querySelector("main");
    document.querySelector("main").replaceWith(main);
    window.htmx?.process(main);
    main.querySelector(".refused")?.scrollIntoView();
    wire();
  }

  async function reopen(item) {
    let answer;
    try {
      answer = await post(item.action, item.body);
    } catch {
      return; // no connection: it stays in the list
    }
    keep(kept().filter((other) => other.key !== item.key));
    await showAnswer(answer);
    show();
  }

  async function sendAll() {
    for (const item of kept()) {
      if (item.refused) continue;
      let answer;
      try {
        // Nobody is there to be asked: what is only doubtful is to be taken as it is.
        answer = await post(item.action, item.body, { "Weakspot-Kept": "yes" });
      } catch {
        break; // still no connection
      }
      if (answer.status >= 500 || answer.status === 429) break;
      if (answer.redirected && new URL(answer.url).pathname === "/sign-in") break;
      const rest = kept().filter((other) => other.key !== item.key);
      keep(answer.ok ? rest : [...rest, { ...item, refused: true }]);
    }
    show();
  }

  async function send(form) {
    const body = new URLSearchParams(new FormData(form)).toString();
    const title = form.dataset.keep;
    let answer;
    try {
      answer = await post(form.action, body);
    } catch {
      const key = new URLSearchParams(body).get("once_key");
      keep([...kept().filter((other) => other.key !== key), { key, title, action: form.action, body }]);
      show();
      document.getElementById("waiting").scrollIntoView();
      return;
    }
    await showAnswer(answer);
  }

  function wire() {
    for (const form of document.querySelectorAll("form[data-keep]")) {
      form.addEventListener("submit", (event) => {
        if (event.submitter?.hasAttribute("formaction")) return; // only shows the form in another way
        event.preventDefault();
        const button = form.querySelector("button:not(.quiet)");
        button.disabled = true;
        send(form).finally(() => { button.disabled = false; });
      });
    }
  }

  wire();
  show();
  sendAll();
  window.addEventListener("online", sendAll);
  setInterval(() => { if (kept().some((item) => !item.refused)) sendAll(); }, EVERY_MS);
})();
