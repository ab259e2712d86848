// The page: who practises, which exercise is open, where the address leads.

import { get, post, takeToken } from "/page/api.js";
import { button, clear, h, toast } from "/page/dom.js";
import { t } from "/page/language.js";
import { listen, setKeys, sheet } from "/page/keys.js";
import { NEXT, theme } from "/page/theme.js";
import { Home } from "./home.js";
import { Play } from "./play.js";

const main = document.getElementById("main");
const top = document.getElementById("top");
const KEPT = { name: "squareon learner", timed: "squareon practice clock", view: "squareon practice view", level: "squareon practice level" };
let view = null;

const app = {
  start: null,
  advice: false,
  learner: {
    name: localStorage.getItem(KEPT.name) ?? "",
    timed: localStorage.getItem(KEPT.timed) === "yes",
    view: localStorage.getItem(KEPT.view) ?? "",
    level: Number(localStorage.getItem(KEPT.level) ?? 1),
  },
  setName(name) {
    this.learner.name = name.split(/\s+/).filter(Boolean).join(" ");
    localStorage.setItem(KEPT.name, this.learner.name);
  },
  setTimed(on) {
    this.learner.timed = on;
    localStorage.setItem(KEPT.timed, on ? "yes" : "no");
  },
  setView(chosen) {
    this.learner.view = chosen;
    localStorage.setItem(KEPT.view, chosen);
  },
  say: (words) => toast(words, { kind: "warn" }),
  home: () => show(() => new Home(app)),
  async play(what) {
    if (what.level) {
      this.learner.level = what.level;
      localStorage.setItem(KEPT.level, what.level);
    }
    const waiting = h("p", { class: "wait", role: "status" }, t("The patient is being brought in"));
    const before = [...main.childNodes];
    clear(main, waiting);
    try {
      const round = await post("/api/rounds", { learner: this.learner.name, timed: this.learner.timed, ...what });
      await show(() => new Play({ ...round, asked: what }, app));
    } catch (error) {
      clear(main, before);
      toast(error.message, { kind: "warn", last: 0 });
    }
  },
  again(round) {
    return this.play(round.asked.group === undefined ? { code: round.code } : round.asked);
  },
  next(round) {
    const { asked } = round;
    if (asked.group !== undefined) {
      const task = asked.task + 1;
      return task < this.start.sets[asked.group].tasks.length ? this.play({ ...asked, task }) : this.home();
    }
    return this.play({ level: asked.level ?? (round.level || this.learner.level), view: this.learner.view });
  },
};

async function show(make) {
  view?.close?.();
  setKeys([{ keys: ["?"], words: t("this sheet"), run: () => sheet() }]);
  view = make();
  document.body.dataset.view = view instanceof Home ? "home" : "play";
  clear(main, view.element);
  await view.start();
}

function header() {
  const chosen = theme();
  const names = { auto: t("automatic"), light: t("light"), dark: t("dark") };
  clear(
    top,
    h("button", { type: "button", class: "brand", onclick: app.home }, h("img", { src: "/page/mark.svg", alt: "", width: 22, height: 22 }), t("Squareon practice")),
    h("strong", { class: "note" }, t("INVENTED FILMS")),
    h("span", { class: "space" }),
    button(t("Theme: {name}", { name: names[chosen] }), {
      kind: "quiet",
      onclick: () => {
        theme(NEXT[chosen]);
        header();
        view?.solid?.draw();
      },
    }),
    button(t("Keys"), { kind: "quiet", keys: "?", onclick: () => sheet() }),
  );
}

async function begin() {
  header();
  listen();
  if (!takeToken()) {
    clear(main, h("section", { class: "trouble" }, h("h1", {}, t("Open the address that was printed")), h("p", {}, t("This page needs the token behind the # of that address."))));
    return;
  }
  try {
    app.start = await get("/api/start");
    app.advice = app.start.advice;
    await app.home();
  } catch (error) {
    clear(main, h("section", { class: "trouble" }, h("h1", {}, t("This cannot be shown")), h("p", {}, error.message), button(t("Try again"), { onclick: () => location.reload() })));
  }
}

begin();
