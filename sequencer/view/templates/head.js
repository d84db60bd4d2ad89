"use strict";
/* A plain wooden head that can turn, nod, tilt and open its jaw, seen from the front: nobody's face.
 *
 * The head is an ellipsoid; features are points on it, rotated and projected without perspective.
 * x goes to the viewer's right (the figure's left), y up, z toward the viewer.
 */

const RADII = [70, 90, 74];
const HINGE = [0, -12, -8];   /* the jaw turns about a line through here */
const MOTIONS = ["turn", "nod", "tilt", "jaw"];

function onHead(across_deg, up_deg, out = 1) {
  const across = (across_deg * Math.PI) / 180, up = (up_deg * Math.PI) / 180;
  return [RADII[0] * out * Math.cos(up) * Math.sin(across), RADII[1] * out * Math.sin(up), RADII[2] * out * Math.cos(up) * Math.cos(across)];
}

function spinX([x, y, z], a) { return [x, y * Math.cos(a) - z * Math.sin(a), y * Math.sin(a) + z * Math.cos(a)]; }
function spinY([x, y, z], a) { return [x * Math.cos(a) + z * Math.sin(a), y, -x * Math.sin(a) + z * Math.cos(a)]; }
function spinZ([x, y, z], a) { return [x * Math.cos(a) - y * Math.sin(a), x * Math.sin(a) + y * Math.cos(a), z]; }

/* +1 when a positive angle of the axis means the drawing's positive sense, by the figure's own words. */
function sense(axis, forward, backward) {
  if (axis.words[1].includes(forward) || axis.words[0].includes(backward)) return 1;
  if (axis.words[0].includes(forward) || axis.words[1].includes(backward)) return -1;
  return 1;
}

class Head {
  constructor(canvas) {
    this.canvas = canvas;
    this.size = 300;
    const scale = Math.max(1, window.devicePixelRatio || 1);
    canvas.width = canvas.height = this.size * scale;
    this.pen = canvas.getContext("2d");
    this.pen.scale(scale, scale);
  }

  /* Which axes move it; hidden when none of them does. */
  fit(scene) {
    this.axes = scene.axes.filter((axis) => MOTIONS.includes(axis.name));
    this.canvas.parentElement.hidden = this.axes.length === 0;
  }

  colours() {
    const style = getComputedStyle(document.documentElement);
    return (name) => style.getPropertyValue(`--${name}`).trim();
  }

  /* angles: degrees by axis name; eyes: lightness 0..100, the viewer's left first; rest: of the other lamps. */
  draw(angles, eyes, rest) {
    if (!this.axes || this.axes.length === 0) return;
    const angle = { turn: 0, nod: 0, tilt: 0, jaw: 0 };
    const meant = { turn: ["left", "right"], nod: ["down", "up"], tilt: ["right", "left"], jaw: ["open", "shut"] };
    for (const axis of this.axes) {
      angle[axis.name] = (sense(axis, ...meant[axis.name]) * (angles.get(axis.name) ?? 0) * Math.PI) / 180;
    }
    const open = Math.max(0, angle.jaw);
    const place = (point) => {
      const [x, y, z] = spinY(spinX(spinZ(point, angle.tilt), angle.nod), angle.turn);
      return [this.size / 2 + x, 126 - y, z];
    };
    const jaw = (point) => {
      const about = point.map((value, index) => value - HINGE[index]);
      return place(spinX(about, open).map((value, index) => value + HINGE[index]));
    };
    const colour = this.colours(), pen = this.pen;
    pen.clearRect(0, 0, this.size, this.size);
    this.stand(colour, rest);
    this.skull(place, colour("wood"));
    const arc = (up, from, to, how, out) => Array.from({ length: 17 }, (_, index) => how(onHead(from + ((to - from) * index) / 16, up, out)));
    this.grain(place, colour("grain"));
    this.fill([...arc(-32, -58, 58, place), ...arc(-36, 58, -58, jaw, 0.98)], colour("gap"));
    const chin = Array.from({ length: 17 }, (_, index) => {
      const turned = -62 + (124 * index) / 16;
      return jaw(onHead(turned, -34 - 36 * Math.cos((turned * Math.PI) / 128), 1.06));
    });
    this.fill([...arc(-34, -60, 60, jaw, 1.02), ...chin.reverse()], colour("block"), colour("grain"));
    this.fill([onHead(-3, 16, 1.02), onHead(3, 16, 1.02), onHead(10, -14), onHead(0, -12, 1.25), onHead(-10, -14)].map(place), colour("block"), colour("grain"));
    [[-27, 0], [27, 1]].forEach(([across, index]) => this.eye(place, across, eyes[index], colour));
  }

  /* Neck, ball joint and a round foot; lamps that are no eyes sit on the foot. */
  stand(colour, rest) {
    const pen = this.pen, middle = this.size / 2;
    const round = (x, y, wide, tall, ink) => {
      pen.beginPath();
      pen.ellipse(x, y, wide, tall, 0, 0, 2 * Math.PI);
      pen.fillStyle = ink;
      pen.fill();
    };
    round(middle, 272, 88, 20, colour("grain"));
    round(middle, 266, 88, 20, colour("block"));
    this.fill([[middle - 17, 200], [middle + 17, 200], [middle + 17, 262], [middle - 17, 262]], colour("grain"));
    round(middle, 262, 17, 5, colour("grain"));
    round(middle, 214, 27, 22, colour("block"));
    const many = Math.min(rest.length, 8);
    for (let index = 0; index < many; index++) {
      const x = middle + (index - (many - 1) / 2) * 19;
      round(x, 276, 7.5, 6, colour("gap"));
      round(x, 276, 6, 4.6, lampColour(rest[index]));
    }
  }

  /* The two lines by which a carver finds the face: down its middle and across the eyes. */
  grain(place, colour) {
    const pen = this.pen;
    const down = Array.from({ length: 41 }, (_, index) => place(onHead(0, -28 + index * 4)));
    const across = Array.from({ length: 49 }, (_, index) => place(onHead(-96 + index * 4, 14)));
    pen.beginPath();
    for (const line of [down, across]) {
      let drawing = false;
      for (const [x, y, z] of line) {
        if (z > 4 && drawing) pen.lineTo(x, y);
        else if (z > 4) pen.moveTo(x, y);
        drawing = z > 4;
      }
    }
    pen.strokeStyle = colour;
    pen.lineWidth = 1.2;
    pen.stroke();
  }

  fill(points, colour, edge) {
    const pen = this.pen;
    pen.beginPath();
    points.forEach(([x, y], index) => (index ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.closePath();
    pen.fillStyle = colour;
    pen.fill();
    if (!edge) return;
    pen.strokeStyle = edge;
    pen.lineWidth = 1.2;
    pen.stroke();
  }

  /* The outline of a turned ellipsoid: its shadow is the hull of its points. */
  skull(place, colour) {
    const rim = [];
    for (let direction = 0; direction < 72; direction++) {
      const a = (direction * Math.PI) / 36, far = [Math.cos(a), Math.sin(a)];
      let best = null, reach = -Infinity;
      for (let up = -90; up <= 90; up += 6) {
        for (let across = -180; across < 180; across += 12) {
          const [x, y] = place(onHead(across, up));
          const here = x * far[0] + y * far[1];
          if (here > reach) { reach = here; best = [x, y]; }
        }
      }
      rim.push(best);
    }
    this.fill(rim, colour);
  }

  eye(place, across, lightness, colour) {
    const [x, y, z] = place(onHead(across, 14, 1.01));
    if (z < 6) return;
    const pen = this.pen, wide = 13 * Math.max(0.25, z / RADII[2]), tall = 13;
    pen.beginPath();
    pen.ellipse(x, y, wide + 4, tall + 4, 0, 0, 2 * Math.PI);
    pen.fillStyle = colour("gap");
    pen.fill();
    if (lightness > 0) {
      const glow = pen.createRadialGradient(x, y, 4, x, y, 44);
      glow.addColorStop(0, `rgba(255, 196, 84, ${(0.75 * lightness) / 100})`);
      glow.addColorStop(1, "rgba(255, 196, 84, 0)");
      pen.fillStyle = glow;
      pen.fillRect(x - 44, y - 44, 88, 88);
    }
    pen.beginPath();
    pen.ellipse(x, y, wide, tall, 0, 0, 2 * Math.PI);
    pen.fillStyle = lampColour(lightness ?? 0);
    pen.fill();
  }
}

/* What a lamp of this perceived lightness (per cent) looks like: from a dead to a glowing lantern. */
function lampColour(lightness) {
  const share = Math.min(1, Math.max(0, lightness / 100));
  const mix = (dark, bright) => Math.round(dark + (bright - dark) * share);
  return `rgb(${mix(38, 255)}, ${mix(32, 214)}, ${mix(28, 120)})`;
}

/* Which lamps light the eyes: {eyes: [the viewer's left, right] lists of lamps, rest: the other lamps}.
 *
 * Lamps called an eye are eyes; where none is, all lamps are. The figure's left is at the viewer's right.
 * One lamp lights both eyes; lamps without a side are shared out, the first half to the viewer's left.
 */
function eyesOf(lamps) {
  const named = lamps.filter((lamp) => /eye/i.test(lamp.name));
  const chosen = named.length ? named : lamps;
  const rest = lamps.filter((lamp) => !chosen.includes(lamp));
  const sided = { left: [], right: [], none: [] };
  for (const lamp of chosen) {
    const left = /left/i.test(lamp.name), right = /right/i.test(lamp.name);
    sided[left === right ? "none" : left ? "left" : "right"].push(lamp);
  }
  const { left, right, none } = sided;
  if (left.length && right.length) return { eyes: [[...right, ...none], [...left, ...none]], rest };
  if (chosen.length === 1) return { eyes: [chosen, chosen], rest };
  const half = Math.ceil(chosen.length / 2);
  return { eyes: [chosen.slice(0, half), chosen.slice(half)], rest };
}
