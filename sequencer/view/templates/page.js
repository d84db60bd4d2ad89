"use strict";
/* The page: scene picker, transport, and what the player core puts out, frame by frame. */

const at = (id) => document.getElementById(id);
const STEADY_S = 1.0;   /* "steady lamps" shows the mean of this much light either side */
const CALM_S = 0.5;

function bytes(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

/* The scenes as the template gives them, with their packed curves unpacked. */
function unpack(show) {
  for (const scene of show.scenes) {
    for (const axis of scene.axes) {
      for (const key of ["asked", "planned"]) {
        const view = new DataView(bytes(axis[key]).buffer);
        axis[key] = Float64Array.from({ length: view.byteLength / 2 }, (_, index) => view.getInt16(2 * index, true) * axis.step_deg);
      }
    }
    for (const lamp of scene.lamps) lamp.lightness = Float64Array.from(bytes(lamp.lightness), (half) => half / 2);
  }
  return show;
}

function clock(seconds) {
  const tenths = Math.round(seconds * 10);
  return `${Math.floor(tenths / 600)}:${String(Math.floor((tenths % 600) / 10)).padStart(2, "0")}.${tenths % 10}`;
}

function element(parent, kind, className, text) {
  const node = document.createElement(kind);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  parent.append(node);
  return node;
}

/* Angle `index` of a linkage at these pulses: linear between the table's points, along one track or two. */
function between(table, pulses, index) {
  const last = table.count - 1, angles = table.angle_deg[index];
  const [[row, down], [column, along] = [0, 0]] = pulses.map((pulse, track) => {
    const place = ((pulse - table.low_us[track]) / (table.high_us[track] - table.low_us[track])) * last;
    const from = Math.min(last - 1, Math.max(0, Math.floor(place)));
    return [from, Math.min(1, Math.max(0, place - from))];
  });
  if (pulses.length === 1) return angles[row] + down * (angles[row + 1] - angles[row]);
  const one = row * table.count + column, next = one + table.count;
  const above = angles[one] + along * (angles[one + 1] - angles[one]);
  return above + down * (angles[next] + along * (angles[next + 1] - angles[next]) - above);
}

class Page {
  constructor(show, start) {
    this.show = show;
    this.start = start;     /* a function that gives a fresh PlayerCore, or null when it cannot run */
    this.reduced = matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.lanes = new Lanes(at("lanes"), (seconds) => this.go(seconds / this.scene.frame_s));
    this.head = new Head(at("head"));
    this.frame = 0;
    this.playing = false;
    at("calm").checked = this.reduced;
    this.buttons = show.scenes.map((scene) => {
      const button = element(at("scenes"), "button", "", scene.name);
      button.type = "button";
      button.addEventListener("click", () => this.pick(scene));
      return button;
    });
    at("play").addEventListener("click", () => this.play(!this.playing));
    at("restart").addEventListener("click", () => this.go(0));
    at("scrub").addEventListener("input", () => this.go(Number(at("scrub").value)));
    at("steady").addEventListener("change", () => this.light());
    at("calm").addEventListener("change", () => this.paint());
    at("show-flashing").addEventListener("click", () => { at("steady").checked = false; this.light(); });
    document.addEventListener("keydown", (event) => this.key(event));
    document.addEventListener("visibilitychange", () => document.hidden && this.play(false));
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const inControl = /^(BUTTON|INPUT|SELECT)$/.test(event.target.tagName);
    const moves = { ArrowLeft: this.frame - 1, ArrowRight: this.frame + 1, Home: 0, End: this.frames - 1 };
    if (event.key === " " && !inControl) this.play(!this.playing);
    else if (event.key in moves && !/^(INPUT|SELECT)$/.test(event.target.tagName)) this.go(moves[event.key]);
    else return;
    event.preventDefault();
  }

  pick(scene) {
    this.play(false);
    this.scene = scene;
    this.frames = Math.round(scene.duration_s / scene.frame_s);
    this.buttons.forEach((button, index) => button.setAttribute("aria-pressed", String(this.show.scenes[index] === scene)));
    at("title").textContent = `${this.show.figure}: ${scene.name}`;
    at("length").textContent = `${scene.loop ? "loop" : "scene"} of ${scene.duration_s.toFixed(2)} s`;
    at("scrub").max = this.frames - 1;
    at("repeat").checked = scene.loop;
    at("steady").checked = this.reduced || scene.flashing !== null;
    if (scene.flashing) at("flashing-words").textContent = scene.flashing;
    this.rehearse(scene);
    this.head.fit(scene);
    this.furnish(scene);
    this.lanes.show(scene);
    this.go(0);
    this.light();
  }

  /* Let the core play the scene once; everything that moves is drawn from its rows. */
  rehearse(scene) {
    const core = this.start ? this.start() : null;
    this.rows = core ? playScene(core, scene) : null;
    this.names = core ? core.names : { tracks: [], lamps: [], switches: [] };
    if (core && !this.rows) {
      at("trouble").hidden = false;
      at("trouble").textContent = `The image in this page has no scene called ${scene.name}; its curves are the plan, nothing moves.`;
    } else if (core) at("trouble").hidden = true;
  }

  /* Gauges, lights and tables for one scene. */
  furnish(scene) {
    at("gauges").replaceChildren();
    this.gauges = scene.axes.map((axis) => {
      const box = element(at("gauges"), "div", "gauge");
      const line = element(box, "div", "line");
      element(line, "b", "", axis.name);
      const number = element(line, "span", "number");
      const bar = element(box, "div", "bar");
      const share = (angle) => Math.min(1, Math.max(0, (angle - axis.low_deg) / (axis.high_deg - axis.low_deg)));
      element(bar, "u").style.left = `${100 * share(0)}%`;
      const hand = element(bar, "i");
      const ends = element(box, "div", "line faint");
      element(ends, "span", "", axis.ends[0]);
      element(ends, "span", "", axis.ends[1]);
      return { axis, number, hand, share };
    });
    at("lights").replaceChildren();
    const names = this.names;
    const light = (kind) => (name) => {
      const box = element(at("lights"), "div", `light ${kind}`);
      return { swatch: element(box, "i"), words: element(box, "span", "number", name), name };
    };
    this.lamps = names.lamps.map(light("lamp"));
    this.switches = names.switches.map(light("switch"));
    const body = at("pulses").tBodies[0];
    body.replaceChildren();
    this.pulses = names.tracks.map((name) => {
      const row = element(body, "tr");
      element(row, "td", "", name);
      return element(row, "td", "number");
    });
    at("pulses").hidden = names.tracks.length === 0;
    at("work").tBodies[0].replaceChildren();
    for (const axis of scene.axes) {
      const row = element(at("work").tBodies[0], "tr");
      element(row, "th", "", axis.name).scope = "row";
      for (const text of [...axis.peaks, `${axis.rms_error_deg.toFixed(2)} deg`, axis.range]) element(row, "td", "", text);
    }
    at("work").hidden = scene.axes.length === 0;
    at("findings").replaceChildren();
    for (const finding of scene.findings) {
      const item = element(at("findings"), "li");
      if (finding.time_s === null) element(item, "b", "mark", String(finding.number));
      else {
        const button = element(item, "button", "", `${finding.number} at ${clock(finding.time_s)}`);
        button.type = "button";
        button.addEventListener("click", () => this.go(finding.time_s / scene.frame_s));
      }
      const words = element(item, "div");
      element(words, "div", "", `${finding.severity}: ${finding.message}`);
      if (finding.remedy) element(words, "div", "", `Do: ${finding.remedy}`);
    }
  }

  /* Steady lamps or true ones; the warning goes once the viewer has chosen. */
  light() {
    at("flashing").hidden = !(this.scene.flashing && at("steady").checked);
    at("averaged").hidden = !(this.lamps.length && at("steady").checked);
    this.paint();
  }

  go(frame) {
    this.frame = Math.min(this.frames - 1, Math.max(0, Math.round(frame)));
    this.exact = this.frame;
    this.paint();
  }

  play(on) {
    this.playing = on && this.scene !== undefined;
    at("play").textContent = this.playing ? "Pause" : "Play";
    at("play").setAttribute("aria-pressed", String(this.playing));
    if (!this.playing) return;
    if (this.frame >= this.frames - 1) this.go(0);
    let before = performance.now();
    const step = (now) => {
      if (!this.playing) return;
      this.exact += ((now - before) / 1000 / this.scene.frame_s) * Number(at("speed").value);
      before = now;
      if (this.exact >= this.frames) {
        if (!at("repeat").checked) { this.go(this.frames - 1); this.play(false); return; }
        this.exact %= this.frames;
      }
      this.frame = Math.floor(this.exact);
      this.paint();
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  paint() {
    if (!this.scene) return;
    const scene = this.scene, seconds = this.frame * scene.frame_s;
    at("scrub").value = this.frame;
    at("scrub").setAttribute("aria-valuetext", `${seconds.toFixed(2)} seconds`);
    at("clock").textContent = `${seconds.toFixed(2)} of ${scene.duration_s.toFixed(2)} s`;
    const calm = Math.round(CALM_S / scene.frame_s);
    const frame = at("calm").checked && this.playing ? this.frame - (this.frame % calm) : this.frame;
    const angles = new Map(), shown = new Map();
    if (this.rows) {
      const now = this.rows[Math.min(frame, this.rows.length - 1)];
      for (const track of scene.tracks) {
        const index = this.names.tracks.indexOf(track.name);
        if (index >= 0 && now.pulse[index] > 0) angles.set(track.axis, (now.pulse[index] / 16 - track.zero_us) / track.us_per_deg);
      }
      for (const table of scene.tables) {
        const pulses = table.tracks.map((name) => now.pulse[this.names.tracks.indexOf(name)] / 16);
        if (pulses.every((pulse) => pulse > 0)) table.axes.forEach((axis, index) => angles.set(axis, between(table, pulses, index)));
      }
      this.pulses.forEach((cell, index) => {
        cell.textContent = now.pulse[index] ? `${(now.pulse[index] / 16).toFixed(2)} us` : "no pulse";
      });
      this.lamps.forEach((lamp, index) => {
        lamp.lightness = at("steady").checked ? this.mean(index, frame) : now.lightness[index] / 512;
        lamp.swatch.style.background = lampColour(lamp.lightness);
        lamp.words.textContent = `${lamp.name} ${lamp.lightness.toFixed(0)} %${at("steady").checked ? " (average)" : ""}`;
        shown.set(lamp.name, lamp.lightness);
      });
      this.switches.forEach((each, index) => {
        const on = (now.switches >> index) & 1;
        each.swatch.style.background = on ? "var(--switch)" : "transparent";
        each.words.textContent = `${each.name} ${on ? "on" : "off"}`;
      });
      at("state").textContent = `Frame ${frame + 1} of ${this.rows.length} as the player core plays it from rest`;
    }
    for (const { axis, number, hand, share } of this.gauges) {
      const angle = angles.get(axis.name);
      hand.hidden = angle === undefined;
      number.textContent = angle === undefined ? "no pulse" : Math.abs(angle) < 0.05 ? "0.0 deg" : `${axis.words[Number(angle > 0)]} ${Math.abs(angle).toFixed(1)} deg`;
      if (angle !== undefined) hand.style.left = `${100 * share(angle)}%`;
    }
    const brightest = (lamps) => lamps.reduce((most, lamp) => Math.max(most, lamp.lightness), 0);
    const { eyes, rest } = eyesOf(this.lamps);
    this.head.draw(angles, eyes.map(brightest), rest.map((lamp) => lamp.lightness));
    this.lanes.now(frame * scene.frame_s, new Map([...angles, ...shown]));
  }

  mean(lamp, frame) {
    const reach = Math.round(STEADY_S / this.scene.frame_s), last = this.rows.length - 1;
    let sum = 0, count = 0;
    for (let index = Math.max(0, frame - reach); index <= Math.min(last, frame + reach); index++) {
      sum += this.rows[index].lightness[lamp] / 512;
      count++;
    }
    return sum / count;
  }
}

async function open() {
  const show = unpack(JSON.parse(at("show").textContent));
  let start = null;
  try {
    const image = bytes(at("image").textContent.trim());
    const module = await WebAssembly.compile(bytes(at("player").textContent.trim()));
    start = await PlayerCore.starter(module, image, show.layout);
  } catch (error) {
    at("trouble").hidden = false;
    at("trouble").textContent = `The player could not start here (${error.message}). The curves below are the plan; nothing moves.`;
  }
  if (location.hash.startsWith("#report=") && start) {
    element(document.body, "pre", "").id = "report";
    at("report").textContent = JSON.stringify(report(start(), location.hash.slice(8)));
  }
  const page = new Page(show, start);
  page.pick(show.scenes[0]);
  /* #SCENE@SECONDS opens a page at that moment. */
  const wanted = decodeURIComponent(location.hash.slice(1)).split("@");
  const named = show.scenes.find((scene) => scene.name === wanted[0]);
  if (named) page.pick(named);
  if (named && wanted[1]) page.go(Number(wanted[1]) / named.frame_s);
  document.documentElement.dataset.ready = "yes";
}

open();
