// The wind of a scenario: a dial that is dragged, turned by keys, or typed.
// In: the elements of live.html.j2 and a direction in degrees from true north.
// Out: the direction the wind comes from, each time a person changes it.
"use strict";
var roofplatWind = (function () {
  const { compass } = roofplatCard;
  // A finger is no finer than this; figures that are typed are taken as they are.
  const STEP = 5, LEAP = 45, RADIUS = 78;

  const turned = (degrees) => ((degrees % 360) + 360) % 360;

  function words(degrees) {
    return `from the ${compass(degrees)} (${Math.round(degrees)}°)`;
  }

  class Dial {
    constructor(dial, figure, told) {
      Object.assign(this, { dial, figure, told, degrees: 0, held: null });
      dial.addEventListener("pointerdown", (event) => {
        if (event.button > 0) return;
        // What is written while it is dragged may move it on the page: the finger still turns around the same middle.
        const box = dial.getBoundingClientRect();
        this.held = { pointer: event.pointerId, x: box.left + box.width / 2, y: box.top + box.height / 2 };
        dial.setPointerCapture(event.pointerId);
        dial.focus({ preventScroll: true });
        this.point(event);
        event.preventDefault();
      });
      dial.addEventListener("pointermove", (event) => { if (this.held && this.held.pointer === event.pointerId) this.point(event); });
      for (const kind of ["pointerup", "pointercancel"]) dial.addEventListener(kind, () => { this.held = null; });
      dial.addEventListener("keydown", (event) => this.key(event));
      figure.addEventListener("change", () => {
        const typed = figure.valueAsNumber;
        if (Number.isFinite(typed) && typed >= 0 && typed <= 360) this.turn(typed);
        else figure.value = String(Math.round(this.degrees * 10) / 10);
      });
    }
    // Toward the finger: the wind comes from there.
    point(event) {
      const east = event.clientX - this.held.x, south = event.clientY - this.held.y;
      if (Math.hypot(east, south) < 6) return;
      this.turn(Math.round((Math.atan2(east, -south) * 180) / Math.PI / STEP) * STEP);
    }
    key(event) {
      const move = { ArrowRight: STEP, ArrowUp: STEP, ArrowLeft: -STEP, ArrowDown: -STEP, PageUp: LEAP, PageDown: -LEAP }[event.key];
      if (move !== undefined) this.turn(this.degrees + (event.shiftKey ? Math.sign(move) : move));
      else if (event.key === "Home") this.turn(0);
      else return;
      event.preventDefault();
      event.stopPropagation();
    }
    turn(degrees) {
      const to = turned(degrees);
      if (to === this.degrees) return;
      this.show(to);
      this.told(to);
    }
    show(degrees) {
      this.degrees = turned(degrees);
      const { dial, figure } = this, whole = Math.round(this.degrees * 10) / 10, angle = (this.degrees * Math.PI) / 180;
      dial.setAttribute("aria-valuenow", String(whole));
      dial.setAttribute("aria-valuetext", words(this.degrees));
      dial.querySelector(".arrow").setAttribute("transform", `rotate(${this.degrees})`);
      const knob = dial.querySelector(".knob");
      knob.setAttribute("cx", String(RADIUS * Math.sin(angle)));
      knob.setAttribute("cy", String(-RADIUS * Math.cos(angle)));
      figure.value = String(whole);
    }
  }

  return { Dial, words };
})();
