// Asking the server that the page came from.
// In: what is wished for, and the processes plan-roof and roof-sheet.
// Out: answers, or one sentence that says why there is none. One question is under way at a time; of what is
// wished for meanwhile the last is asked next.
"use strict";
var roofplatAsk = (function () {
  const PATIENCE_MS = 20000, AGAIN_MS = [2000, 4000, 8000, 15000], LONGEST = 400;
  const SENTENCES = {
    401: "The server asks for its token: load this page again and give the token as the password.",
    403: "The server does not let this page ask: open it at the address that the server names.",
    404: "The server does not answer this question: it may serve another district now; load this page again.",
    413: "The question is too large for the server.",
    429: "The server is busy: wait a moment.",
    503: "The server is busy or has no plans at the moment: wait a moment.",
    504: "The server took too long: try again.",
  };

  // Why there is no answer, as a sentence. `passing` is what may be gone in a moment.
  class NoAnswer extends Error {
    constructor(sentence, passing) {
      super(sentence);
      this.passing = passing;
    }
  }

  async function post(process, inputs, accept) {
    let response;
    try {
      response = await fetch(`processes/${process}/execution`, {
        method: "POST", headers: { "Content-Type": "application/json", Accept: accept }, body: JSON.stringify({ inputs }),
        cache: "no-store", redirect: "error", signal: AbortSignal.timeout(PATIENCE_MS),
      });
    } catch {
      throw new NoAnswer("The server does not answer: it may be stopped, or this device is off its network.", true);
    }
    if (response.ok) return response;
    throw new NoAnswer(await sentenceOf(response), response.status >= 500 || response.status === 429);
  }

  // The server's own sentence, else one for its number.
  async function sentenceOf(response) {
    const known = SENTENCES[response.status] || `The server refused with number ${response.status}.`;
    if (response.status === 401 || !(response.headers.get("Content-Type") || "").includes("json")) return known;
    try {
      const { description, detail } = await response.json(), said = description || detail;
      return typeof said === "string" && said.trim() ? Array.from(said.trim()).slice(0, LONGEST).join("") : known;
    } catch { return known; }
  }

  async function plan(inputs) {
    const response = await post("plan-roof", inputs, "application/geo+json, application/json");
    let answer;
    try { answer = await response.json(); } catch { /* told below */ }
    if (!answer || !Array.isArray(answer.features) || !answer.scenario) throw new NoAnswer("The server's answer is no plan: load this page again.", false);
    return answer;
  }

  async function sheet(inputs) {
    const response = await post("roof-sheet", inputs, "application/pdf");
    const blob = await response.blob(), [, name] = /filename="([\w.-]+)"/.exec(response.headers.get("Content-Disposition") || "") || [null, "what-if.pdf"];
    if (!blob.type.includes("pdf")) throw new NoAnswer("The server's answer is no sheet: load this page again.", false);
    return { blob, name };
  }

  // Which build of the district the server answers from now; null where it does not say.
  async function build() {
    try {
      const response = await fetch("health", { cache: "no-store", redirect: "error", signal: AbortSignal.timeout(PATIENCE_MS) });
      return response.ok ? (await response.json()).build ?? null : null;
    } catch { return null; }
  }

  // Asks one question at a time. `told` hears of what is asked, answered or refused: { asked }, { wish, answer } or
  // { wish, error, again }.
  class Asker {
    constructor(told) {
      this.told = told;
      this.stop();
    }
    // Forgets what is under way: its answer is heard by nobody.
    stop() {
      this.round = (this.round || 0) + 1;
      this.busy = false;
      this.next = null;
      this.failed = 0;
      clearTimeout(this.timer);
    }
    ask(wish) {
      clearTimeout(this.timer);
      this.next = wish;
      this.told({ asked: wish });
      if (!this.busy) this.go();
    }
    async go() {
      const wish = this.next, { round } = this;
      this.next = null;
      this.busy = true;
      let heard;
      try { heard = { wish, answer: await plan(wish) }; } catch (error) { heard = { wish, error }; }
      if (round !== this.round) return;
      this.busy = false;
      if (heard.error && heard.error.passing && !this.next) heard.again = this.retry(wish);
      if (heard.answer) this.failed = 0;
      this.told(heard);
      if (this.next && round === this.round && !this.busy) this.go();
    }
    // What may pass is asked again by itself, less and less often.
    retry(wish) {
      const wait = AGAIN_MS[Math.min(this.failed++, AGAIN_MS.length - 1)];
      this.timer = setTimeout(() => this.ask(wish), wait);
      return wait;
    }
  }

  return { Asker, build, sheet };
})();
