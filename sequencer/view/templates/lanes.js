"use strict";
/* The curves of one scene as inline SVG: wish, plan, range, lamps, switches, findings, and a play head. */

const SVG = "http://www.w3.org/2000/svg";
const LEFT = 116, RIGHT = 14, TOP = 18, BOTTOM = 34;
const TALL = { axis: 92, lamp: 38, switch: 26 }, BETWEEN = 9;

function svg(parent, kind, attributes, text) {
  const node = document.createElementNS(SVG, kind);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== undefined) node.textContent = text;
  parent.append(node);
  return node;
}

/* Round steps so that at most `most` ticks fall into a span. */
function tickStep(span, most) {
  const rough = span / most, power = 10 ** Math.floor(Math.log10(rough));
  return power * [1, 2, 5, 10].find((step) => step * power >= rough * 0.999);
}

/* The findings' numbers as a person writes them: 1, 2, 3, 5 is 1-3,5. */
function numbersOf(findings) {
  const runs = [];
  for (const { number } of findings) {
    if (runs.length && number === runs.at(-1).at(-1) + 1) runs.at(-1).push(number);
    else runs.push([number]);
  }
  return runs.map((run) => (run.length > 2 ? `${run[0]}-${run.at(-1)}` : run.join(","))).join(",");
}

class Lanes {
  /* seek(seconds) is called when the viewer points at a time. */
  constructor(holder, seek) {
    this.holder = holder;
    this.seek = seek;
    new ResizeObserver(() => this.scene && this.holder.clientWidth !== this.width && this.draw()).observe(holder);
  }

  show(scene) {
    this.scene = scene;
    this.draw();
  }

  x(seconds) {
    return LEFT + (seconds / this.scene.duration_s) * (this.width - LEFT - RIGHT);
  }

  draw() {
    const scene = this.scene;
    this.width = this.holder.clientWidth;
    this.dots = new Map();
    const rows = [...scene.axes.map((axis) => ["axis", axis]), ...scene.lamps.map((lamp) => ["lamp", lamp]),
      ...scene.switches.map((each) => ["switch", each])];
    let height = TOP + BOTTOM;
    for (const [kind] of rows) height += TALL[kind] + BETWEEN;
    const root = document.createElementNS(SVG, "svg");
    root.setAttribute("viewBox", `0 0 ${this.width} ${height}`);
    root.setAttribute("height", height);
    root.setAttribute("role", "img");
    root.setAttribute("aria-label", `Curves of ${scene.name}; the numbers stand in the tables below`);
    this.holder.replaceChildren(root);
    let y = TOP;
    const placed = new Map();
    for (const [kind, channel] of rows) {
      placed.set(channel.name, y);
      this[kind](root, channel, y, TALL[kind]);
      y += TALL[kind] + BETWEEN;
    }
    this.times(root, y - BETWEEN);
    const lanes = new Map();
    for (const finding of scene.findings) {
      if (finding.time_s === null) continue;
      const lane = placed.get(finding.channel) ?? TOP;
      lanes.set(lane, [...(lanes.get(lane) ?? []), finding]);
    }
    for (const [lane, findings] of lanes) this.findings(root, findings, lane, y - BETWEEN);
    this.head = svg(root, "line", { y1: TOP - 6, y2: y - BETWEEN, stroke: "var(--now)", "stroke-width": 1.5 });
    for (const dot of this.dots.values()) root.append(dot.node);
    root.addEventListener("pointerdown", (event) => { root.setPointerCapture(event.pointerId); this.point(root, event); });
    root.addEventListener("pointermove", (event) => event.buttons & 1 && this.point(root, event));
  }

  point(root, event) {
    const x = event.clientX - root.getBoundingClientRect().left;
    this.seek(((x - LEFT) / (this.width - LEFT - RIGHT)) * this.scene.duration_s);
  }

  ground(root, y, tall, name, unit) {
    svg(root, "rect", { x: LEFT, y, width: this.width - LEFT - RIGHT, height: tall, fill: "none", stroke: "var(--rule)" });
    svg(root, "text", { x: 0, y: y + tall / 2 + 1, class: "name" }, name.length > 11 ? name.slice(0, 10) + "\u2026" : name);
    svg(root, "text", { x: 0, y: y + tall / 2 + 14 }, unit);
  }

  line(root, values, every_s, place, attributes) {
    let path = "";
    for (let index = 0; index < values.length; index++) {
      path += `${index ? "L" : "M"}${this.x(Math.min(index * every_s, this.scene.duration_s)).toFixed(1)} ${place(values[index]).toFixed(1)}`;
    }
    svg(root, "path", { d: path, fill: "none", "stroke-linejoin": "round", ...attributes });
  }

  axis(root, axis, y, tall) {
    const [low, high] = axis.window_deg;
    const place = (angle) => y + tall * (1 - (angle - low) / (high - low));
    const wide = this.width - LEFT - RIGHT;
    for (const [from, to] of [[high, axis.high_deg], [axis.low_deg, low]]) {
      if (from > to) svg(root, "rect", { x: LEFT, y: place(from), width: wide, height: place(to) - place(from), fill: "var(--outside)" });
    }
    for (const edge of [axis.low_deg, axis.high_deg]) {
      if (edge > low && edge < high) svg(root, "line", { x1: LEFT, x2: LEFT + wide, y1: place(edge), y2: place(edge), stroke: "var(--faint)", "stroke-width": 0.7 });
    }
    const step = tickStep(high - low, 4);
    for (let tick = Math.ceil(low / step) * step; tick <= high; tick += step) {
      const label = Number(tick.toPrecision(6)), at = place(tick);
      svg(root, "line", { x1: LEFT, x2: LEFT + wide, y1: at, y2: at, stroke: "var(--rule)", "stroke-width": 0.6 });
      svg(root, "text", { x: LEFT - 5, y: at + 4, "text-anchor": "end" }, String(Math.abs(label) < step / 1e6 ? 0 : label).replace("-", "\u2212"));
    }
    this.line(root, axis.asked, axis.every_s, place, { stroke: "var(--wish)", "stroke-width": 5 });
    this.line(root, axis.planned, axis.every_s, place, { stroke: "var(--plan)", "stroke-width": 1.6 });
    this.ground(root, y, tall, axis.name, "deg");
    svg(root, "text", { x: 0, y: y + 10, class: "word" }, `\u2191 ${axis.words[1]}`);
    svg(root, "text", { x: 0, y: y + tall - 2, class: "word" }, `\u2193 ${axis.words[0]}`);
    this.dot(axis.name, place);
  }

  dot(name, place) {
    const node = document.createElementNS(SVG, "circle");
    node.setAttribute("r", 4.5);
    node.setAttribute("fill", "var(--now)");
    node.setAttribute("stroke", "var(--card)");
    node.setAttribute("stroke-width", 1.5);
    node.setAttribute("visibility", "hidden");
    this.dots.set(name, { node, place });
  }

  lamp(root, lamp, y, tall) {
    const place = (percent) => y + tall * (1 - percent / 104);
    let path = `M${LEFT} ${y + tall}`;
    lamp.lightness.forEach((value, frame) => {
      const at = place(value).toFixed(1);
      path += `L${this.x(frame * this.scene.frame_s).toFixed(1)} ${at}L${this.x((frame + 1) * this.scene.frame_s).toFixed(1)} ${at}`;
    });
    svg(root, "path", { d: `${path}L${this.width - RIGHT} ${y + tall}Z`, fill: "var(--lamp)", "fill-opacity": 0.35, stroke: "var(--lamp)" });
    for (const tick of [0, 100]) svg(root, "text", { x: LEFT - 5, y: place(tick) + (tick ? 7 : 1), "text-anchor": "end" }, String(tick));
    this.ground(root, y, tall, lamp.name, "lightness, %");
    this.dot(lamp.name, place);
  }

  switch(root, each, y, tall) {
    for (const [from, to] of each.on_s) {
      svg(root, "rect", { x: this.x(from), y: y + 4, width: Math.max(2.5, this.x(to) - this.x(from)), height: tall - 8, fill: "var(--switch)" });
    }
    this.ground(root, y, tall, each.name, "on / off");
  }

  times(root, y) {
    const step = tickStep(this.scene.duration_s, Math.max(4, (this.width - LEFT - RIGHT) / 50));
    for (let tick = 0; tick <= this.scene.duration_s + 1e-9; tick += step) {
      svg(root, "line", { x1: this.x(tick), x2: this.x(tick), y1: TOP, y2: y + 4, stroke: "var(--rule)", "stroke-width": 0.6 });
      svg(root, "text", { x: this.x(tick), y: y + 16, "text-anchor": "middle" }, String(Number(tick.toPrecision(6))));
    }
    svg(root, "text", { x: (LEFT + this.width - RIGHT) / 2, y: y + 30, "text-anchor": "middle" }, "time, s");
  }

  /* Where a lane's findings begin; those that would print over each other share a mark, as in the picture. */
  findings(root, findings, y, bottom) {
    const half = 4.5, letter = 7, groups = [];
    const place = (finding) => this.x(Math.min(Math.max(finding.time_s, 0), this.scene.duration_s));
    for (const finding of findings) {
      const x = place(finding), group = groups.at(-1);
      svg(root, "line", { x1: x, x2: x, y1: y, y2: Math.min(bottom, y + TALL.axis), stroke: "var(--finding)", "stroke-dasharray": "2 2" });
      if (group && x - half < group.x + half + letter * (numbersOf(group.findings).length + 0.5)) group.findings.push(finding);
      else groups.push({ x, findings: [finding] });
    }
    for (const { x, findings: own } of groups) {
      const outline = { error: `M${x - half} ${y - 8}h${2 * half}l${-half} 8z`, warning: `M${x} ${y - 9}l${half} ${half}l${-half} ${half}l${-half} ${-half}z` };
      const severity = ["error", "warning", "note"].find((each) => own.some((finding) => finding.severity === each));
      if (severity in outline) svg(root, "path", { d: outline[severity], fill: "var(--finding)" });
      else svg(root, "circle", { cx: x, cy: y - 4, r: 4, fill: "var(--finding)" });
      svg(root, "text", { x: x + 7, y: y - 1, class: "number" }, numbersOf(own));
    }
  }

  /* Moves the play head; `values` are what the board plays now, by channel. */
  now(seconds, values) {
    const x = this.x(seconds).toFixed(1);
    this.head.setAttribute("x1", x);
    this.head.setAttribute("x2", x);
    for (const [name, dot] of this.dots) {
      const value = values.get(name);
      dot.node.setAttribute("visibility", value === undefined ? "hidden" : "visible");
      if (value === undefined) continue;
      dot.node.setAttribute("cx", x);
      dot.node.setAttribute("cy", dot.place(value).toFixed(1));
    }
  }
}
