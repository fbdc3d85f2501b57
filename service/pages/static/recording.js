// The recording sheet while a test runs: the clock as it moves, what is asked when, and entries that are never lost.
//
// The service is the one place of the record. What is entered here is sent at once; where there is no connection it waits in
// this browser, in order, each with a key of its own, so that it is stored once however often it is sent. The page works
// without this script: it takes over the forms that are there.

const PHASES = ["rest", "warm_up", "exercise", "recovery"];
const LOADS = ["work_rate_w", "speed_km_h", "grade_percent"];
const PLACE = ["stage", "phase", "time_s"];
const TEXTS = ["symptoms", "note"];

// -- where a test is -------------------------------------------------------------------------------------------------

/** Where a test is at a moment; the service finds the same, and one table of cases holds both. Times in milliseconds. */
export function standing(marks, steps, at) {
  const seen = marks.filter((mark) => mark.counts && mark.at <= at).sort((one, other) => one.at - other.at);
  const clock = seen.find((mark) => mark.kind === "clock_started");
  const begun = seen.findLast((mark) => mark.kind === "stage_started" || mark.kind === "exercise_ended");
  const time_s = clock ? (at - clock.at) / 1000 : null;
  if (!clock || !begun) return { time_s, phase: null, stage: null, held: false, in_stage_s: 0, left_s: null, next: steps[0] ?? null };

  const phase = begun.kind === "exercise_ended" ? "recovery" : begun.phase;
  const later = seen.filter((mark) => mark.at >= begun.at);
  let { run_s, held } = runOf(later, begun.at, at);
  const ofPhase = steps.filter((step) => step.phase === phase);
  let place = ofPhase.findIndex((step) => (step.stage ?? null) === (begun.stage ?? null));
  const here = { time_s, phase, held, stage_began_at: begun.at };
  if (place < 0) {
    const stage = begun.stage ?? null;
    return { ...here, stage, step: null, in_stage_s: run_s, left_s: null, next: opening(steps, phase), ...loadOf(begun) };
  }
  const first = place;
  const whole_s = run_s;
  while (place + 1 < ofPhase.length && run_s >= ofPhase[place].duration_s) {
    run_s -= ofPhase[place].duration_s;
    place += 1;
  }
  const step = ofPhase[place];
  const byHand = place === first && LOADS.some((name) => begun[name] != null);
  const load = loadOf(byHand ? begun : step);
  if (!byHand && load.work_rate_w != null && step.ramp_w_per_min != null) {
    load.work_rate_w += (step.ramp_w_per_min * Math.min(run_s, step.duration_s)) / 60;
  }
  return {
    ...here,
    stage: step.stage ?? null,
    step,
    in_stage_s: run_s,
    stage_began_at: hasRunAt(later, begun.at, whole_s - run_s),
    left_s: Math.max(0, step.duration_s - run_s),
    next: ofPhase[place + 1] ?? opening(steps, phase),
    ...load,
  };
}

function runOf(marks, since, at) {
  let heldFor = 0;
  let heldSince = null;
  for (const mark of marks) {
    if (mark.kind === "stage_held" && heldSince === null) {
      heldSince = mark.at;
    } else if (mark.kind === "stage_resumed" && heldSince !== null) {
      heldFor += mark.at - heldSince;
      heldSince = null;
    }
  }
  if (heldSince !== null) heldFor += at - heldSince;
  return { run_s: (at - since - heldFor) / 1000, held: heldSince !== null };
}

/** When a stage had run so long; the time that it was held until then comes on top. */
function hasRunAt(marks, since, run_s) {
  let at = since + run_s * 1000;
  let heldSince = null;
  for (const mark of marks) {
    if (mark.kind === "stage_held" && heldSince === null && mark.at < at) {
      heldSince = mark.at;
    } else if (mark.kind === "stage_resumed" && heldSince !== null) {
      at += mark.at - heldSince;
      heldSince = null;
    }
  }
  return at;
}

function opening(steps, phase) {
  for (const later of PHASES.slice(PHASES.indexOf(phase) + 1)) {
    const step = steps.find((one) => one.phase === later);
    if (step) return step;
  }
  return null;
}

function loadOf(one) {
  return Object.fromEntries(LOADS.map((name) => [name, one[name] ?? null]));
}

// -- what is asked ---------------------------------------------------------------------------------------------------

const NEAR_THE_END_S = 30;
const PRESSURE_TAKES_S = 60; // a reading by cuff takes about half a minute, and is over when the stage ends
const PRESSURE_EVERY_S = 120;
const BY_HAND_EVERY_S = 180;

/**
 * What is asked for at this moment of exercise (common practice): ratings and heart rate near the end of a stage, pressure
 * near the end of one of two minutes or more, else about every two minutes, as in a ramp.
 *
 * Gives null, or what to ask, since when (seconds in the stage) and when it is over.
 */
export function askedAt(place, exercise_s) {
  if (place.phase !== "exercise") return null;
  const length = place.step?.duration_s ?? null;
  const isStage = length !== null && place.step.ramp_w_per_min == null;
  if (isStage && length >= PRESSURE_EVERY_S) {
    if (place.left_s > PRESSURE_TAKES_S || place.left_s <= 0) return null;
    const keys = place.left_s <= NEAR_THE_END_S ? ["rpe", "heart_rate", "pressure", "lactate", "legs_and_breathing", "saturation"] : ["pressure"];
    return { keys, since_s: length - PRESSURE_TAKES_S, over_s: length };
  }
  if (isStage) {
    const window = Math.min(NEAR_THE_END_S, length / 2);
    if (place.left_s > window || place.left_s <= 0) return null;
    const begins = exercise_s - place.in_stage_s;
    const pressure = Math.floor((begins + length) / PRESSURE_EVERY_S) > Math.floor(begins / PRESSURE_EVERY_S);
    const keys = ["rpe", "heart_rate", ...(pressure ? ["pressure"] : []), "lactate", "legs_and_breathing", "saturation"];
    return { keys, since_s: length - window, over_s: length };
  }
  const every = length === null ? BY_HAND_EVERY_S : PRESSURE_EVERY_S;
  const over_s = Math.ceil((place.in_stage_s + 0.001) / every) * every;
  if (over_s - place.in_stage_s > NEAR_THE_END_S) return null;
  const keys = ["rpe", "heart_rate", "pressure", "lactate", "legs_and_breathing", "saturation"];
  return { keys, since_s: over_s - NEAR_THE_END_S, over_s };
}

// -- words -----------------------------------------------------------------------------------------------------------

export function clockText(seconds) {
  if (seconds == null) return "\u2013";
  const whole = Math.max(0, Math.floor(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** Numbers as this site shows and types them. */
class Figures {
  constructor(quantities, mark) {
    this.quantities = quantities;
    this.mark = mark;
  }

  shown(key, value) {
    const { unit, decimals, scale } = this.quantities[key];
    const text = (value * scale).toFixed(decimals).replace(".", this.mark);
    return unit ? `${text} ${unit}` : text;
  }

  typed(key, value) {
    if (value == null) return "";
    return String(Number((value * this.quantities[key].scale).toFixed(4))).replace(".", this.mark);
  }

  /** What was typed, in the unit of the record; null where nothing was, NaN where it is no number. */
  read(key, text) {
    const plain = text.trim().replace(this.mark, ".");
    if (!plain) return null;
    if (!/^[+-]?(\d+(\.\d*)?|\.\d+)$/.test(plain)) return NaN;
    return Number((Number(plain) / this.quantities[key].scale).toPrecision(12));
  }

  load(one) {
    if (!one) return "";
    const parts = LOADS.filter((name) => one[name] != null).map((name) => this.shown(name, one[name]));
    if (one.cadence_per_min != null) parts.push(`cadence ${this.shown("cadence_per_min", one.cadence_per_min)}`);
    if (one.ramp_w_per_min != null) parts.push(`rising ${this.shown("work_rate_w", one.ramp_w_per_min)} each minute`);
    return parts.join(", ");
  }
}

// -- what waits to be sent -------------------------------------------------------------------------------------------

function randomWord() {
  return Array.from(crypto.getRandomValues(new Uint32Array(3)), (part) => part.toString(36)).join("");
}

/** Entries of one test that are not on the server yet, in the order they were made; each survives a reload by itself. */
class Outbox {
  constructor(testId) {
    this.prefix = `upslope-sheet/${testId}/`;
    this.count = 0;
    this.memory = new Map(); // where the browser lets nothing be kept, an entry waits as long as the page is open
  }

  add(entry) {
    this.count += 1;
    const order = `${String(Date.now()).padStart(15, "0")}-${String(this.count).padStart(6, "0")}`;
    this.keep({ ...entry, id: `${order}-${randomWord()}`, attempted: false, refused: null });
  }

  keep(entry) {
    try {
      localStorage.setItem(this.prefix + entry.id, JSON.stringify(entry));
    } catch {
      this.memory.set(entry.id, entry);
    }
  }

  drop(id) {
    this.memory.delete(id);
    try {
      localStorage.removeItem(this.prefix + id);
    } catch {
      // it was kept in memory alone
    }
  }

  all() {
    const found = [...this.memory.values()];
    try {
      for (let place = 0; place < localStorage.length; place += 1) {
        const key = localStorage.key(place);
        if (key.startsWith(this.prefix)) found.push(JSON.parse(localStorage.getItem(key)));
      }
    } catch {
      // nothing can be kept in this browser
    }
    return found.sort((one, other) => (one.id < other.id ? -1 : 1));
  }
}

// -- the sheet -------------------------------------------------------------------------------------------------------

const RETRY_MS = 3000;
const ANSWER_WITHIN_MS = 10000;
const CLOCK_HOLDS_MS = 60000;

class Sheet {
  constructor(element) {
    const given = JSON.parse(element.dataset.sheet);
    this.element = element;
    this.given = given;
    this.figures = new Figures(given.quantities, given.decimal_mark);
    this.address = `/v1/tests/${given.recording.test_id}`;
    this.outbox = new Outbox(given.recording.test_id);
    this.formToken = given.form_token;
    this.link = "waiting";
    this.pinned = null; // when the entry that is being typed was begun
    this.changing = null; // the place of an entry that is being changed
    this.announced = "";
    this.latest = 0;
    this.take(given.recording);
    // Late by the time the page took to come; the first question sets it.
    this.clock = { server: Date.parse(given.recording.server_time), page: performance.now(), took: Infinity };
  }

  start() {
    this.options = new Options(this.part("options"), this.given, () => this.draw());
    for (const form of this.element.querySelectorAll("form[data-act]")) {
      if (form.dataset.act === "complete") form.addEventListener("submit", (event) => this.holdBack(event));
      else form.addEventListener("submit", (event) => this.submitted(event, form));
    }
    const entry = this.entryForm();
    entry?.addEventListener("input", () => (this.pinned ??= this.now()));
    this.part("drop-entry")?.addEventListener("click", () => this.leaveEntry());
    this.buttonsForRatings();
    this.part("log").addEventListener("click", (event) => this.logTouched(event));
    this.part("asked-list").hidden = true;
    addEventListener("online", () => this.comeBack());
    document.addEventListener("visibilitychange", () => document.hidden || this.comeBack());
    addEventListener("storage", () => this.draw());
    setInterval(() => this.tick(), 200);
    setInterval(() => this.flush(), RETRY_MS);
    this.draw();
    this.refresh();
    this.listen();
    this.flush();
  }

  part(id) {
    return document.getElementById(id);
  }

  entryForm() {
    return this.element.querySelector("#entry form[data-act=note]");
  }

  // -- the clock of the service ----

  /** Keep a recording as the service told it, where it is not older than what is known. */
  take(recording) {
    if (!this.recording || recording.seq >= this.recording.seq) this.recording = recording;
  }

  /**
   * Set the clock by a question that took `took` milliseconds: the service read its own about half way, so the shortest
   * question sets it best, unless what is known is old or cannot be (a tablet that slept).
   */
  setClock(serverTime, asked, took) {
    const [server, page] = [Date.parse(serverTime), asked + took / 2];
    const apart = Math.abs(server - (this.clock.server + (page - this.clock.page)));
    const holds = page - this.clock.page < CLOCK_HOLDS_MS && apart <= (took + this.clock.took) / 2;
    if (took > this.clock.took && holds) return;
    this.clock = { server, page, took };
  }

  /** The clock of the service; it never goes back, so that what follows a mark lies after it. */
  now() {
    this.latest = Math.max(this.latest, this.clock.server + (performance.now() - this.clock.page));
    return this.latest;
  }

  instant(at) {
    return new Date(at).toISOString();
  }

  /** The recording with what waits here laid over it: what is seen does not depend on the connection. */
  view() {
    const marks = this.recording.marks.map((mark) => ({ ...mark, at: Date.parse(mark.at), at_text: mark.at }));
    const notes = this.recording.stage_notes.map((note) => ({ ...note }));
    const waiting = this.outbox.all();
    for (const item of waiting) {
      if (item.refused) continue;
      for (const row of item.kind === "marks" ? item.body : []) {
        const at = Date.parse(row.at);
        const known = marks.find((mark) => mark.kind === row.kind && mark.at === at);
        if (known) Object.assign(known, { ...row, at, waits: true });
        else marks.push({ counts: true, ...row, at, at_text: row.at, waits: true });
      }
      for (const row of item.kind === "notes" ? item.body : []) {
        const known = PLACE.some((name) => row[name] != null) && notes.find((note) => samePlace(note, row));
        if (known) Object.assign(known, row, { waits: true });
        else notes.push({ ...row, waits: true });
      }
    }
    const counted = marks.filter((mark) => mark.counts).sort((one, other) => one.at - other.at);
    const zero = counted.find((mark) => mark.kind === "clock_started")?.at ?? null;
    const began = counted.find((mark) => mark.kind === "stage_started" && mark.phase === "exercise")?.at ?? null;
    const ended = counted.find((mark) => mark.kind === "exercise_ended") ?? null;
    return { marks, notes, waiting, zero, began, ended };
  }

  isOpen() {
    return this.recording.status === "planned" || this.recording.status === "recording";
  }

  // -- to the service and from it ----

  async ask(path, options = {}) {
    const answer = await fetch(path, {
      cache: "no-store",
      redirect: "error",
      signal: AbortSignal.timeout(ANSWER_WITHIN_MS),
      ...options,
      headers: { Accept: "application/json", ...options.headers },
    });
    return answer;
  }

  async refresh() {
    try {
      const asked = performance.now();
      const answer = await this.ask(`${this.address}/recording`);
      if (answer.ok) {
        const took = performance.now() - asked;
        const told = await answer.json();
        this.take(told);
        this.setClock(told.server_time, asked, took);
        this.link = "there";
      } else {
        this.link = answer.status === 401 ? "signed_out" : "there";
      }
    } catch {
      this.link = "gone";
    }
    this.draw();
  }

  /** The connection is there again: send what waits, and see what was missed. */
  comeBack() {
    this.keepAwake();
    this.flush();
    this.refresh();
    if (this.events?.readyState === EventSource.CLOSED) this.listen();
  }

  /** Keep the screen lit while a test runs, where the browser can. */
  keepAwake() {
    if (this.isOpen() && this.view().zero !== null) navigator.wakeLock?.request("screen").catch(() => {});
  }

  /** Follow what any screen stores. The browser connects again by itself, and says where it was. */
  listen() {
    this.events?.close();
    if (!this.isOpen()) return;
    this.events = new EventSource(`${this.address}/events`);
    this.events.addEventListener("change", (event) => {
      const { recording } = JSON.parse(event.data);
      if (recording) this.take(recording);
      this.link = "there";
      this.draw();
    });
    this.events.addEventListener("end", () => {
      this.events.close();
      this.refresh();
    });
    this.events.addEventListener("error", () => {
      if (this.events.readyState === EventSource.CLOSED) setTimeout(() => this.isOpen() && this.listen(), RETRY_MS);
      this.refresh();
    });
  }

  /** Send what waits, one after the other; what is refused stays with its reason and does not hold up the rest. */
  async flush() {
    if (this.sending) return;
    this.sending = true;
    let stored = false;
    try {
      for (;;) {
        const item = this.outbox.all().find((one) => !one.refused);
        if (!item) break;
        const outcome = await this.send(item);
        if (outcome === "later") break;
        stored ||= outcome === "stored";
      }
    } finally {
      this.sending = false;
    }
    if (stored) await this.refresh();
    else this.draw();
  }

  async send(item) {
    if (!item.attempted) {
      this.setTime(item);
      item.attempted = true;
      this.outbox.keep(item);
    }
    try {
      const answer = await this.ask(this.address + item.path, {
        method: item.method,
        body: JSON.stringify(item.body),
        headers: {
          "Content-Type": "application/json",
          "X-Form-Token": this.formToken,
          ...(item.method === "POST" ? { "Idempotency-Key": item.id } : { "If-Match": "*" }),
        },
      });
      if (answer.ok) {
        const told = await answer.json();
        this.link = "there";
        if (told.marks) this.take(told);
        // Shown as stored before it is dropped, so that it is never seen to be gone.
        else if (item.kind === "notes") this.layOver(item.body);
        this.outbox.drop(item.id);
        return "stored";
      }
      return await this.refusedBy(answer, item);
    } catch {
      this.link = "gone";
      return "later";
    }
  }

  /** The time of a note on the clock that the service knows, fixed before it is sent the first time. */
  setTime(item) {
    if (item.kind !== "notes" || item.at == null) return;
    const { zero } = this.view();
    const time_s = zero === null || item.at < zero ? null : Math.round(item.at - zero) / 1000;
    item.body = item.body.map((row) => ({ ...row, time_s }));
  }

  layOver(rows) {
    for (const row of rows) {
      const known = this.recording.stage_notes.find((note) => samePlace(note, row));
      if (known) Object.assign(known, row);
      else this.recording.stage_notes.push({ ...row });
    }
  }

  async refusedBy(answer, item) {
    if (answer.status === 401) {
      this.link = "signed_out";
      return "later";
    }
    if (answer.status === 429 || answer.status >= 500) {
      this.link = "gone";
      return "later";
    }
    if (answer.status === 403 && (await this.renewToken())) return "again";
    const problem = await answer.json().catch(() => ({}));
    const told = (problem.errors ?? []).map(({ location, message }) => {
      const quantity = this.given.quantities[location.split(".").pop()];
      return quantity ? `${quantity.label}: ${message}` : message;
    });
    item.refused = [...new Set(told)].join(" ") || problem.detail || `Refused (${answer.status}).`;
    this.outbox.keep(item);
    return "refused";
  }

  /** After signing in again in another window the page's token is of the session before. */
  async renewToken() {
    const answer = await this.ask(location.pathname, { redirect: "follow", headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const given = page.getElementById("sheet")?.dataset.sheet;
    const token = given && JSON.parse(given).form_token;
    const isNew = Boolean(token) && token !== this.formToken;
    if (isNew) this.formToken = token;
    return isNew;
  }

  store(kind, body, { at = null, method = "POST", path = kind === "marks" ? "/marks" : "/stage-notes" } = {}) {
    this.outbox.add({ kind, method, path, body, at });
    this.draw();
    this.flush();
  }

  // -- what the forms do ----

  submitted(event, form) {
    event.preventDefault();
    this.keepAwake();
    const at = this.now();
    const values = new FormData(form, event.submitter);
    const take = {
      start: () => this.startClock(form, values, at),
      stage: () => this.beginStage(form, values, at),
      hold: () => this.store("marks", [{ kind: "stage_held", at: this.instant(at) }]),
      go_on: () => this.store("marks", [{ kind: "stage_resumed", at: this.instant(at) }]),
      end: () => this.endExercise(at),
      reason: () => this.giveReason(form, values),
      note: () => ("signs" in form.dataset ? this.noteSign(event.submitter, values, at) : this.noteEntry(form, values, at)),
      reading: () => this.noteReading(form, values),
      cool_down: () => this.tellCoolDown(values),
      take_back: () => this.takeBack(this.view().ended),
    };
    take[form.dataset.act]();
  }

  loadIn(form, values) {
    return this.numbersIn(form, values, LOADS.filter((name) => values.has(name)));
  }

  /** Numbers of a form by name, null where empty; where one is none, null altogether, and the field is told. */
  numbersIn(form, values, names) {
    const found = Object.fromEntries(names.map((name) => [name, this.figures.read(name, String(values.get(name) ?? ""))]));
    const wrong = names.filter((name) => Number.isNaN(found[name]));
    for (const name of names) tellFault(form.elements[name], wrong.includes(name) ? `must be a number with a decimal mark ${this.figures.mark}` : "");
    return wrong.length ? null : found;
  }

  startClock(form, values, at) {
    const load = this.loadIn(form, values);
    if (!load) return;
    const instant = this.instant(at);
    const phase = values.get("phase");
    this.store("marks", [
      { kind: "clock_started", at: instant },
      { kind: "stage_started", at: instant, phase, stage: phase === "exercise" ? 1 : null, ...load },
    ]);
    this.focusEntry();
  }

  beginStage(form, values, at) {
    const load = this.loadIn(form, values);
    if (!load) return;
    const place = this.standingAt(at);
    const phase = values.get("phase");
    const stage = phase !== "exercise" ? null : place.phase === "exercise" ? (place.stage ?? 0) + 1 : 1;
    this.store("marks", [{ kind: "stage_started", at: this.instant(at), phase, stage, ...load }]);
    for (const name of Object.keys(load)) form.elements[name].value = "";
    this.focusEntry();
  }

  endExercise(at) {
    this.store("marks", [{ kind: "exercise_ended", at: this.instant(at) }]);
    this.element.querySelector("form[data-act=reason] button")?.focus();
  }

  giveReason(form, values) {
    const { ended } = this.view();
    if (!ended) return;
    const note = String(values.get("stop_note") ?? "").trim();
    const reason = values.get("stop_reason") ?? ended.stop_reason ?? null;
    this.store("marks", [{ kind: "exercise_ended", at: ended.at_text, stop_reason: reason, ...(note ? { stop_note: note } : {}) }]);
  }

  takeBack(mark) {
    if (mark) this.store("marks", [{ kind: mark.kind, at: mark.at_text, counts: false }]);
  }

  standingAt(at) {
    return standing(this.view().marks, this.recording.steps, at);
  }

  /** Phase, stage and load of a note that is made at a moment. */
  whereAt(at) {
    const place = this.standingAt(at);
    const { zero } = this.view();
    const isRamp = place.step?.ramp_w_per_min != null;
    return {
      phase: place.phase,
      stage: isRamp ? null : place.stage,
      time_s: zero === null || at < zero ? null : Math.round(at - zero) / 1000,
      ...(place.phase === "recovery" || place.phase === null ? {} : loadOf(place)),
    };
  }

  noteSign(button, values, at) {
    const { label, stop_reason } = this.given.signs[button.dataset.sign];
    this.store("notes", [{ ...this.whereAt(at), [button.name]: label }], { at });
    const suggestion = stop_reason === "symptom" ? "a symptom" : this.given.stops[stop_reason].toLowerCase();
    this.say(`Noted: ${label}. End exercise where the person or your local rules ask for it; the reason would be: ${suggestion}.`, "sign");
  }

  noteEntry(form, values, at) {
    const names = this.given.noted;
    const numbers = this.numbersIn(form, values, names);
    if (!numbers) return;
    const texts = Object.fromEntries(TEXTS.map((name) => [name, String(values.get(name) ?? "").trim() || null]));
    const isRated = ["rpe", "rpe_legs", "rpe_breathing"].some((name) => numbers[name] !== null);
    const isEmpty = [...Object.values(numbers), ...Object.values(texts)].every((value) => value === null);
    tellFault(form.elements.rpe, isEmpty ? "enter at least one value, symptom or note" : "");
    if (isEmpty) {
      form.elements.rpe.focus();
      return;
    }
    const row = { ...numbers, ...texts, rpe_scale: isRated ? values.get("rpe_scale") || null : null };
    if (this.changing) {
      this.store("notes", [{ ...row, ...this.changing }]);
    } else {
      let when = this.pinned ?? at;
      if (values.get("belongs") === "before") when = (this.standingAt(when).stage_began_at ?? when) - 1000;
      const filled = Object.fromEntries(Object.entries(row).filter(([, value]) => value !== null));
      this.store("notes", [{ ...this.whereAt(when), ...filled }], { at: when });
    }
    this.leaveEntry();
  }

  noteReading(form, values) {
    const { ended, zero } = this.view();
    const names = [...values.keys()].filter((name) => name in this.given.quantities);
    const numbers = this.numbersIn(form, values, names);
    if (!numbers || !ended || names.every((name) => numbers[name] === null)) return;
    const at = ended.at + Number(values.get("after_s")) * 1000;
    const filled = Object.fromEntries(Object.entries(numbers).filter(([, value]) => value !== null));
    this.store("notes", [{ phase: "recovery", stage: null, time_s: Math.round(at - zero) / 1000, ...filled }], { at });
    for (const name of names) form.elements[name].value = "";
  }

  tellCoolDown(values) {
    const active = values.get("recovery_active");
    const body = { recovery_active: active ? active === "true" : null, recovery_posture: values.get("recovery_posture") || null };
    this.store("test", body, { method: "PATCH", path: "" });
  }

  /** A test is completed once everything of it is on the server. */
  holdBack(event) {
    if (!this.outbox.all().length) return;
    event.preventDefault();
    this.say("Not completed yet: some entries are not on the server. They stand at the top of what is recorded, with what to do.", "sign");
  }

  // -- the form of an entry ----

  focusEntry() {
    this.element.querySelector("#entry .ratings button, #entry input:not([type=hidden])")?.focus({ preventScroll: true });
  }

  leaveEntry() {
    const form = this.entryForm();
    for (const name of [...this.given.noted, ...TEXTS]) form.elements[name].value = "";
    form.elements.belongs.value = "";
    this.pinned = null;
    this.changing = null;
    this.draw();
  }

  changeEntry(note) {
    const form = this.entryForm();
    for (const name of this.given.noted) form.elements[name].value = this.figures.typed(name, note[name]);
    for (const name of TEXTS) form.elements[name].value = note[name] ?? "";
    if (note.rpe_scale) form.elements.rpe_scale.value = note.rpe_scale;
    this.changing = Object.fromEntries(PLACE.map((name) => [name, note[name] ?? null]));
    this.part("more").open = true;
    this.draw();
    form.elements.rpe.focus();
  }

  /** Ratings of the chosen scale, to be touched; the field beside them takes the ones between. */
  buttonsForRatings() {
    const form = this.entryForm();
    if (!form) return;
    const group = document.createElement("div");
    group.className = "ratings";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "Perceived exertion");
    const field = form.elements.rpe;
    const show = () => {
      for (const button of group.children) button.setAttribute("aria-pressed", String(button.value === field.value));
    };
    const fill = () => {
      const [low, high] = form.elements.rpe_scale.value === "0-10" ? [0, 10] : [6, 20];
      const ratings = Array.from({ length: high - low + 1 }, (_, place) => String(low + place));
      group.replaceChildren(...ratings.map((rating) => Object.assign(document.createElement("button"), { type: "button", className: "second", value: rating, textContent: rating })));
      show();
    };
    group.addEventListener("click", (event) => {
      if (event.target.type !== "button") return;
      field.value = event.target.value;
      field.dispatchEvent(new Event("input", { bubbles: true }));
    });
    field.addEventListener("input", show);
    form.elements.rpe_scale.addEventListener("change", fill);
    this.showRatings = show;
    field.closest(".field").after(group);
    fill();
  }

  logTouched(event) {
    const button = event.target.closest("button[data-key]");
    if (!button) return;
    const line = this.lines?.find((one) => one.key === button.dataset.key);
    if (!line) return;
    event.preventDefault();
    if (button.dataset.does === "drop") this.outbox.drop(line.item);
    else if (button.dataset.does === "again") this.sendAgain(line.item);
    else if (button.dataset.does === "edit") {
      this.outbox.drop(line.item);
      return void this.changeEntry(line.refusedNote);
    }
    else if (line.note) return void this.changeEntry(line.note);
    else if (line.mark) this.takeBack(line.mark);
    this.draw();
    this.part("entries-heading").focus();
  }

  sendAgain(id) {
    const item = this.outbox.all().find((one) => one.id === id);
    if (!item) return;
    // A refused request was answered under its key: the next try is a request of its own.
    this.outbox.drop(id);
    this.outbox.add({ kind: item.kind, method: item.method, path: item.path, body: item.body, at: item.at });
    this.flush();
  }

  // -- what is shown ----

  tick() {
    const at = this.now();
    const view = this.view();
    const place = standing(view.marks, this.recording.steps, at);
    const isOpen = this.isOpen();
    const state = !isOpen ? "over" : place.phase ?? "ready";
    for (const part of this.element.querySelectorAll("[data-when]")) {
      const shown = part.dataset.when.split(" ").includes(state) || (part.id === "cool-down" && state === "over" && view.ended !== null);
      if (part.hidden === shown) part.hidden = !shown;
    }
    for (const part of this.element.querySelectorAll("[data-held]")) part.hidden = (part.dataset.held === "yes") !== place.held;
    this.write("phase", !isOpen ? `This recording is ${this.recording.status}` : place.phase === null ? "Not started" : this.where(place) + (place.held ? ", held" : ""));
    this.write("in-stage", clockText(place.phase === null ? 0 : place.in_stage_s));
    this.write("left", place.left_s == null ? "" : place.left_s > 0 ? `${clockText(Math.ceil(place.left_s))} left` : place.phase === "exercise" ? "the protocol has no further stage" : "over");
    this.write("load", this.figures.load({ ...loadOf(place), cadence_per_min: place.step?.cadence_per_min }) || "\u2013");
    this.write("next", place.next ? `Next: ${[this.where(place.next), this.figures.load(place.next)].filter(Boolean).join(", ")}` : "");
    this.write("test-clock", clockText(place.time_s));
    this.write("short", this.inShort(place));
    if (isOpen) this.askFor(place, view, at);
    this.showEntryTime(place, view);
  }

  /** The clock and the connection, where the rest of the sheet is scrolled away. */
  inShort(place) {
    const left = place.left_s == null ? clockText(place.in_stage_s) : `${clockText(Math.ceil(place.left_s))} left`;
    const clock = place.phase === null || !this.isOpen() ? [] : [place.stage == null ? this.where(place) : `Stage ${place.stage}`, left, this.figures.load(loadOf(place))];
    const link = { gone: "no connection", signed_out: "signed out" }[this.link];
    return [...clock, link].filter(Boolean).join(" \u00b7 ");
  }

  where(place) {
    const words = this.given.phases[place.phase] ?? "";
    return place.stage != null && words ? `${words}, stage ${place.stage}` : words;
  }

  write(id, text) {
    const part = this.part(id);
    if (part && part.textContent !== text) part.textContent = text;
  }

  /** Say what is now to be asked, once, and keep a list of what of it is still open. */
  askFor(place, view, at) {
    const asked = place.phase === "recovery" ? this.askedInRecovery(view, at) : this.askedInStage(place, view, at);
    const key = asked?.key ?? `${place.phase}/${place.stage}`;
    if (key !== this.announced) {
      const isFirst = this.announced === "";
      const stageChanged = !asked && place.phase === "exercise" && !this.announced.startsWith(`${place.phase}/${place.stage}`);
      this.announced = key;
      if (asked) this.say(asked.words, "ask");
      else if (stageChanged && !isFirst) this.say(`${this.where(place)}: ${this.figures.load(loadOf(place)) || "load as you set it"}.`, "stage");
      else if (this.part("asked").dataset.kind === "ask") this.write("asked", "");
      // The load of a stage that is over does not stand over the cool-down.
      if (place.phase !== "exercise" && this.part("asked").dataset.kind === "stage") this.write("asked", "");
    }
    const list = this.part("asked-list");
    const items = asked?.items ?? [];
    const text = JSON.stringify(items);
    if (list.dataset.shown === text) return;
    list.dataset.shown = text;
    list.hidden = !items.length;
    list.replaceChildren(
      ...items.map(({ words, done }) => {
        const line = document.createElement("li");
        line.className = done ? "done" : "open";
        line.textContent = `${words}: ${done ? "stored" : "open"}`;
        return line;
      }),
    );
  }

  askedInStage(place, view, at) {
    const asked = askedAt(place, view.began === null ? 0 : (at - view.began) / 1000);
    const wanted = this.given.asked.filter((one) => asked?.keys.includes(one.key) && this.options.asks(one.key));
    if (!asked || !wanted.length) return null;
    const since = (at - view.zero) / 1000 - (place.in_stage_s - asked.since_s);
    const isEnd = place.left_s != null && place.step.ramp_w_per_min == null;
    return {
      key: `${place.phase}/${place.stage}/${asked.over_s}/${wanted.length}`,
      words: `${isEnd ? `${this.where(place)} is about to end` : `At ${clockText(since)}`}: ${wanted.map((one) => one.words).join(", ")}.`,
      items: wanted.map((one) => ({
        words: capitalized(one.words),
        done: view.notes.some((note) => note.time_s >= since && one.fields.some((name) => note[name] != null)),
      })),
    };
  }

  askedInRecovery(view, at) {
    const after = (at - view.ended.at) / 1000;
    const moment = this.given.recovery.find((one) => after >= one.after_s - 10 && after < one.after_s + 45);
    if (!moment) return null;
    const words = this.given.asked.filter((one) => one.fields.some((name) => moment.fields.includes(name))).map((one) => one.words);
    const time_s = (view.ended.at - view.zero) / 1000 + moment.after_s;
    const done = view.notes.some((note) => note.phase === "recovery" && Math.abs(note.time_s - time_s) < 0.5 && note.heart_rate_bpm != null);
    return {
      key: `recovery/${moment.after_s}`,
      words: `At ${clockText(moment.after_s)} after the end: ${words.join(", ")}. Watch the person.`,
      items: [{ words: `${capitalized(words.join(", "))} at ${clockText(moment.after_s)}`, done }],
    };
  }

  say(words, kind) {
    const part = this.part("asked");
    part.dataset.kind = kind;
    part.textContent = words;
    if (this.options.sound()) beep(kind === "stage" ? 440 : 660);
  }

  showEntryTime(place, view) {
    const part = this.part("entry-for");
    if (!part) return;
    if (this.changing) {
      this.write("entry-for", `Changes the entry of ${clockText(this.changing.time_s)}.`);
    } else if (this.pinned !== null && view.zero !== null) {
      const there = standing(view.marks, this.recording.steps, this.pinned);
      this.write("entry-for", `For ${clockText(there.time_s)}, when you began it: ${this.where(there).toLowerCase()}.`);
    } else {
      this.write("entry-for", "An entry has the time at which you begin it. What is left empty is not recorded.");
    }
  }

  draw() {
    this.drawConnection();
    this.drawLog();
    this.drawRecovery();
    const drop = this.part("drop-entry");
    if (drop) drop.hidden = this.changing === null;
    this.write("store-entry", this.changing ? "Store the change" : "Store the entry");
    this.showRatings?.();
    const reason = this.view().ended?.stop_reason;
    for (const button of this.element.querySelectorAll("form[data-act=reason] button")) button.setAttribute("aria-pressed", String(button.value === reason));
    if (this.events && !this.isOpen()) this.events.close();
    this.tick();
  }

  drawConnection() {
    const waiting = this.outbox.all();
    const refused = waiting.filter((item) => item.refused).length;
    const count = waiting.length - refused;
    const entries = `${count} ${count === 1 ? "entry waits" : "entries wait"} in this browser`;
    let text = count ? `${capitalized(entries)} to be sent.` : "Everything is on the server.";
    if (this.link === "gone") text = `No connection. ${count ? `${capitalized(entries)}, in order, and will be sent by themselves.` : "What you enter is kept in this browser and sent later."} Do not close or reload this page.`;
    if (this.link === "signed_out") text = `You are signed out. ${count ? `${capitalized(entries)}. ` : ""}Sign in again in another window; then they are sent by themselves.`;
    if (refused) text += ` ${refused} ${refused === 1 ? "entry was" : "entries were"} refused: see what is recorded.`;
    const part = this.part("connection");
    part.dataset.link = refused ? "refused" : this.link === "there" && !count ? "there" : this.link === "there" ? "sending" : this.link;
    this.write("connection", text);
  }

  drawLog() {
    const view = this.view();
    const words = (mark) => [this.given.marks[mark.kind], this.figures.load(mark), this.given.stops[mark.stop_reason], mark.stop_note].filter(Boolean).join(", ");
    const lines = [
      ...view.waiting.filter((item) => item.refused).map((item) => ({ key: `refused ${item.id}`, item: item.id, refusedNote: item.kind === "notes" ? item.body[0] : null, time_s: null, where: "", what: this.itemWords(item), state: `refused: ${item.refused}` })),
      ...[
        ...view.marks.map((mark) => ({ key: `mark ${mark.kind} ${mark.at}`, mark, counts: mark.counts, time_s: view.zero === null ? null : (mark.at - view.zero) / 1000, where: this.where(mark), what: words(mark), state: mark.waits ? "waiting" : "on the server" })),
        ...view.notes.map((note, place) => ({ key: `note ${place}`, note, counts: true, time_s: note.time_s, where: this.where(note), what: this.noteWords(note), state: note.waits ? "waiting" : "on the server" })),
      ].sort((one, other) => (other.time_s ?? -1) - (one.time_s ?? -1)),
    ];
    this.lines = lines;
    const text = JSON.stringify([lines, this.given.may_write && this.isOpen()]);
    if (text === this.shownLines) return;
    this.shownLines = text;
    const focused = document.activeElement?.dataset?.key;
    this.part("log").replaceChildren(...(lines.length ? lines.map((line) => this.row(line)) : [emptyRow()]));
    if (focused) this.part("log").querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
  }

  row(line) {
    const row = document.createElement("tr");
    const write = (cell, text, className) => cell.append(Object.assign(document.createElement("span"), { textContent: text, className }), " ");
    const time = row.insertCell();
    time.className = "number";
    time.textContent = clockText(line.time_s);
    const what = row.insertCell();
    if (line.where) write(what, line.where, "quiet");
    write(what, line.counts === false ? `${line.what} (taken back)` : line.what, "");
    const last = row.insertCell();
    write(last, line.state, line.state.startsWith("on") ? "state" : "state waits");
    if (line.counts === false) row.className = "taken-back";
    if (!this.given.may_write || !this.isOpen()) return row;
    const button = (does, words, more) => {
      const one = document.createElement("button");
      one.type = "button";
      one.className = "plain";
      one.dataset.key = line.key;
      one.dataset.does = does;
      one.textContent = words;
      const unseen = document.createElement("span");
      unseen.className = "unseen";
      unseen.textContent = ` ${more}`;
      one.append(unseen);
      last.append(one, " ");
    };
    if (line.item) {
      if (line.refusedNote) button("edit", "Change", line.what);
      button("again", "Send again", line.what);
      button("drop", "Remove", line.what);
    } else if (line.note) {
      button("change", "Change", `the entry of ${clockText(line.time_s)}`);
    } else if (line.counts) {
      button("back", "Take back", line.what);
    }
    return row;
  }

  noteWords(note) {
    const parts = this.given.noted.filter((name) => note[name] != null).map((name) => `${this.given.quantities[name].symbol} ${this.figures.shown(name, note[name])}`);
    if (note.rpe_scale) parts.push(`scale ${note.rpe_scale}`);
    return [...parts, ...TEXTS.map((name) => note[name]).filter(Boolean)].join(", ");
  }

  itemWords(item) {
    if (item.kind === "marks") return item.body.map((row) => this.given.marks[row.kind]).join(", ");
    if (item.kind === "notes") return item.body.map((row) => this.noteWords(row)).join(", ");
    return "How the cool-down was done";
  }

  drawRecovery() {
    const view = this.view();
    if (!view.ended) return;
    const inExercise = view.notes.filter((note) => note.heart_rate_bpm != null && (note.phase === "exercise" || note.phase == null));
    const highest = inExercise.length ? Math.max(...inExercise.map((note) => note.heart_rate_bpm)) : null;
    for (const part of this.element.querySelectorAll(".moment")) {
      const time_s = (view.ended.at - view.zero) / 1000 + Number(part.dataset.after);
      const read = view.notes.find((note) => note.phase === "recovery" && Math.abs(note.time_s - time_s) < 0.5);
      const texts = [];
      if (read?.heart_rate_bpm != null) {
        texts.push(this.figures.shown("heart_rate_bpm", read.heart_rate_bpm));
        if (highest !== null) texts.push(`${this.figures.shown("heart_rate_bpm", highest - read.heart_rate_bpm)} below the highest noted`);
      }
      if (read?.systolic_mmhg != null) texts.push(`${read.systolic_mmhg} / ${read.diastolic_mmhg ?? "\u2013"} mmHg`);
      const text = texts.join(", ") || "Not read yet";
      const shown = part.querySelector("[data-reading]");
      if (shown.textContent !== text) shown.textContent = text;
    }
  }
}

/** What this screen asks for: a choice of the browser, not of the record. */
class Options {
  constructor(element, given, changed) {
    this.element = element;
    this.defaults = { rpe: true, heart_rate: true, pressure: true, lactate: given.lactate_is_planned, legs_and_breathing: false, saturation: false, sound: false };
    this.chosen = { ...this.defaults };
    try {
      Object.assign(this.chosen, JSON.parse(localStorage.getItem("upslope-sheet-options") ?? "{}"));
      if (given.lactate_is_planned) this.chosen.lactate = true;
    } catch {
      // as it is by default
    }
    element.hidden = !given.may_write;
    for (const box of element.querySelectorAll("input")) {
      box.checked = this.chosen[box.name];
      box.addEventListener("change", () => {
        this.chosen[box.name] = box.checked;
        try {
          localStorage.setItem("upslope-sheet-options", JSON.stringify(this.chosen));
        } catch {
          // it holds as long as the page is open
        }
        if (box.name === "sound" && box.checked) beep(660);
        changed();
      });
    }
  }

  asks(key) {
    return this.chosen[key];
  }

  sound() {
    return this.chosen.sound;
  }
}

function samePlace(one, other) {
  return PLACE.every((name) => (one[name] ?? null) === (other[name] ?? null));
}

function capitalized(words) {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

function emptyRow() {
  const row = document.createElement("tr");
  const cell = row.insertCell();
  cell.colSpan = 3;
  cell.textContent = "Nothing yet.";
  return row;
}

/** What is wrong with a field, beside it; nothing where it is right. */
function tellFault(field, words) {
  const box = field.closest(".field");
  box.querySelector(".fault")?.remove();
  const hint = document.getElementById(`${field.id}-hint`)?.id;
  const described = [words && `${field.id}-fault`, hint].filter(Boolean).join(" ");
  if (described) field.setAttribute("aria-describedby", described);
  else field.removeAttribute("aria-describedby");
  if (!words) {
    field.removeAttribute("aria-invalid");
    return;
  }
  const told = Object.assign(document.createElement("p"), { className: "fault", id: `${field.id}-fault`, textContent: words });
  told.setAttribute("role", "alert");
  field.setAttribute("aria-invalid", "true");
  box.append(told);
}

let audio = null;

function beep(frequency_hz) {
  audio ??= new AudioContext();
  const tone = audio.createOscillator();
  const loudness = audio.createGain();
  tone.frequency.value = frequency_hz;
  loudness.gain.setValueAtTime(0.2, audio.currentTime);
  loudness.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.4);
  tone.connect(loudness).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.4);
}

const sheet = document.getElementById("sheet");
if (sheet) new Sheet(sheet).start();
