// Moves the line of a threshold: by arrow keys, by a finger or by the pointer. Without this file the value is typed.
"use strict";

(() => {
  const pairs = (text) => {
    const all = text.trim().split(/\s+/).map(Number);
    return all.flatMap((one, at) => (at % 2 ? [] : [[one, all[at + 1]]]));
  };
  // The second of a pair at a value of the first, by straight lines.
  const read = (points, at) => {
    const after = points.findIndex(([one]) => one >= at);
    if (after <= 0) return points[after < 0 ? points.length - 1 : 0][1];
    const [[x0, y0], [x1, y1]] = [points[after - 1], points[after]];
    return y0 + ((y1 - y0) * (at - x0)) / (x1 - x0 || 1);
  };
  const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.round(seconds) % 60).padStart(2, "0")}`;

  // The whole form is another one after its effect was asked for by the button.
  const form = () => document.querySelector("form.threshold-form");
  let waiting = 0;

  const showEffect = async () => {
    const sent = new URLSearchParams(new FormData(form()));
    sent.set("step", "look");
    const ask = ++waiting;
    const answer = await fetch(form().action, { method: "POST", body: sent });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const area = page.getElementById("effect-area");
    // A later move has been asked about in the meantime, or the session is over.
    if (ask !== waiting || !area) return;
    for (const one of area.querySelectorAll("[autofocus]")) one.removeAttribute("autofocus");
    document.getElementById("effect-area").replaceWith(area);
    window.htmx?.process(area);
  };

  const start = (slide) => {
    const uptake = pairs(form().dataset.uptake);
    const drawings = [...form().querySelectorAll("svg[data-moments]")].map((svg) => [svg, pairs(svg.dataset.moments)]);
    const said = form().querySelector(".slide output");
    let timer = 0;

    const show = (time) => {
      for (const [svg, moments] of drawings) {
        const place = String(read(moments, time));
        const line = svg.querySelector(".line");
        line.setAttribute("x1", place);
        line.setAttribute("x2", place);
      }
      const words = `${clock(time)} min, about ${Math.round(read(uptake, time) / 10) * 10} mL/min`;
      said.textContent = words;
      slide.setAttribute("aria-valuetext", words);
    };
    const move = (time) => {
      slide.value = time;
      form().elements.time_s.value = slide.value;
      form().elements.vo2_ml_min.value = "";
      show(Number(slide.value));
      clearTimeout(timer);
      timer = setTimeout(showEffect, 400);
    };

    slide.closest(".slide").hidden = false;
    slide.addEventListener("input", () => move(Number(slide.value)));
    for (const [svg, moments] of drawings) {
      const follow = (event) => {
        const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse()).x;
        const away = (pair) => Math.abs(pair[1] - at);
        move(Math.round(moments.reduce((best, pair) => (away(pair) < away(best) ? pair : best))[0]));
      };
      svg.addEventListener("pointerdown", (event) => {
        svg.setPointerCapture(event.pointerId);
        follow(event);
      });
      svg.addEventListener("pointermove", (event) => event.buttons && follow(event));
    }
    if (drawings.some(([svg]) => Number(svg.querySelector(".line").getAttribute("x1")) > 0)) show(Number(slide.value));
  };

  const begin = () => {
    const slide = document.querySelector(".slide[hidden] #slide");
    if (slide) start(slide);
  };
  begin();
  new MutationObserver(begin).observe(document.querySelector("main"), { childList: true, subtree: true });
})();
