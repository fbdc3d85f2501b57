// Several files in one go: each line is a request of its own, one after another. The files stay in the browser until their
// turn comes; the server keeps nothing between looking and storing. Without this script one form carries all of them.
"use strict";

(() => {
  const form = document.getElementById("batch");
  const lines = document.getElementById("lines");
  const progress = document.getElementById("progress");
  const words = document.getElementById("progress-words");
  const bar = document.getElementById("progress-bar");
  const halt = document.getElementById("halt");
  const store = document.getElementById("store");
  const files = form.elements.files;
  const manifest = form.elements.manifest;
  const TRIES = 4;
  const SIGNED_OUT = "This browser is not signed in any more. Sign in again and choose the files again; nothing is doubled.";

  let listed = ""; // what was chosen when the lines were listed
  let running = false;
  let halted = false;

  const chosen = () => [...files.files, ...manifest.files].map((one) => `${one.name} ${one.size}`).join("\n");
  const fileNamed = (name) => [...files.files].filter((one) => one.name === name);
  const rows = () => [...lines.querySelectorAll("tbody[data-line]")];
  const wait = (seconds) => new Promise((done) => setTimeout(done, 1000 * seconds));

  function tidy() {
    for (const one of document.querySelectorAll(".without-scripts")) one.hidden = true;
  }

  function say(text) {
    progress.hidden = false;
    words.textContent = text;
  }

  async function send(fields, attached) {
    const body = new FormData();
    body.set("form_token", form.elements.form_token.value);
    for (const [name, value] of Object.entries(fields)) body.set(name, value);
    for (const one of attached) body.append("files", one);
    if (manifest.files.length) body.set("manifest", manifest.files[0]);
    return fetch("/imports", { method: "POST", body, credentials: "same-origin", redirect: "manual" });
  }

  // The lines, with the names of the files alone.
  async function list() {
    const names = [...files.files].map((one) => one.name).join("\n");
    const answer = await send({ step: "list", part: "table", names, mode: form.elements.mode?.value ?? "" }, []);
    if (answer.type === "opaqueredirect") {
      say(SIGNED_OUT);
      return false;
    }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (answer.status !== 200) {
      // A list that cannot be read, or nothing chosen: the page that says so.
      const told = page.querySelector("main .note") ?? page.querySelector("main") ?? page.body;
      lines.replaceChildren(document.importNode(told, true));
      listed = "";
      store.hidden = true;
      return false;
    }
    lines.replaceChildren(...[...page.body.childNodes].map((one) => document.importNode(one, true)));
    listed = chosen();
    tidy();
    return true;
  }

  function counted() {
    const counts = {};
    for (const one of rows()) counts[one.dataset.state] = (counts[one.dataset.state] ?? 0) + 1;
    const shown = [
      ["stored", "stored"],
      ["ready", "can be stored"],
      ["changed", "not what was shown before"],
      ["known", "in the record already"],
      ["refused", "refused"],
      ["failed", "not sent"],
      ["waiting", "waiting"],
    ];
    return shown.filter(([state]) => counts[state]).map(([state, text]) => `${counts[state]} ${text}`).join(", ");
  }

  function failed(row, text) {
    row.dataset.state = "failed";
    row.querySelector(".result div").textContent = text;
  }

  // One line: sent again a few times where the connection fails, which doubles nothing.
  async function one(row, step) {
    const number = row.dataset.line;
    const fields = { step, part: "rows", lines: number };
    for (const input of row.querySelectorAll("input[name], select[name]")) fields[input.name] = input.value;
    let answer;
    for (let turn = 1; ; turn += 1) {
      try {
        answer = await send(fields, row.dataset.file ? fileNamed(row.dataset.file) : []);
        break;
      } catch {
        if (turn === TRIES) {
          failed(row, "Not sent: the connection failed, or the file has changed since it was chosen. Choose the files again, and repeat.");
          return false;
        }
        say(`The connection failed; line ${number} is tried again.`);
        await wait(turn);
      }
    }
    if (answer.type === "opaqueredirect") {
      failed(row, SIGNED_OUT);
      return false;
    }
    const page = new DOMParser().parseFromString(`<table>${await answer.text()}</table>`, "text/html");
    const fresh = answer.status === 200 ? page.querySelector(`tbody[data-line="${number}"]`) : null;
    if (fresh === null) {
      const told = page.querySelector("h1")?.textContent ?? "";
      failed(row, `Not stored: the service answered ${answer.status}. ${told}`);
      return answer.status < 500 && ![401, 403].includes(answer.status);
    }
    row.replaceWith(document.importNode(fresh, true));
    return true;
  }

  async function run(step) {
    const asked = step === "look" ? () => true : (row) => ["ready", "changed", "failed"].includes(row.dataset.state);
    const wanted = rows().filter(asked);
    running = true;
    halted = false;
    halt.hidden = false;
    bar.max = Math.max(wanted.length, 1);
    bar.value = 0;
    let done = 0;
    for (const row of wanted) {
      if (halted) break;
      say(`Line ${done + 1} of ${wanted.length}: ${row.dataset.file || "no file"}`);
      const goOn = await one(row, step);
      done += 1;
      bar.value = done;
      if (!goOn) break;
    }
    running = false;
    halt.hidden = true;
    const began = done < wanted.length ? `Stopped after ${done} of ${wanted.length} lines` : step === "look" ? "All lines were looked at" : "Done";
    say(`${began}: ${counted()}.`);
    store.hidden = !rows().some((row) => ["ready", "changed", "failed"].includes(row.dataset.state));
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (running) return;
    const step = event.submitter?.value ?? "look";
    try {
      if (listed !== chosen()) {
        if (!(await list())) return;
        // Lines that are still to be filled in are not looked at yet.
        if (lines.querySelector("[name^=subject_]")) {
          say("Say whose test each file is, then press Look again.");
          lines.querySelector("[name^=subject_]").focus();
          return;
        }
        await run("look");
        return;
      }
      await run(step);
    } catch (error) {
      running = false;
      say(`This failed: ${error.message}. Press the button again; nothing is doubled.`);
    }
  });

  halt.addEventListener("click", () => {
    halted = true;
  });

  window.addEventListener("beforeunload", (event) => {
    if (running) event.preventDefault();
  });

  tidy();
})();
