"use strict";
/* A plain drawing of a head that can turn, nod, tilt and open its jaw, seen from the front.
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

  /* angles: degrees by axis name; eyes: lightness 0..100 of up to two lamps, the viewer's left first. */
  draw(angles, eyes) {
    if (!this.axes || this.axes.length === 0) return;
    const angle = { turn: 0, nod: 0, tilt: 0, jaw: 0 };
    const meant = { turn: ["left", "right"], nod: ["down", "up"], tilt: ["right", "left"], jaw: ["open", "shut"] };
    for (const axis of this.axes) {
      angle[axis.name] = (sense(axis, ...meant[axis.name]) * (angles.get(axis.name) ?? 0) * Math.PI) / 180;
    }
    const open = Math.max(0, angle.jaw);
    const place = (point) => {
      const [x, y, z] = spinY(spinX(spinZ(point, angle.tilt), angle.nod), angle.turn);
      return [this.size / 2 + x, 142 - y, z];
    };
    const jaw = (point) => {
      const about = point.map((value, index) => value - HINGE[index]);
      return place(spinX(about, open).map((value, index) => value + HINGE[index]));
    };
    const colour = this.colours(), pen = this.pen;
    pen.clearRect(0, 0, this.size, this.size);
    this.fill([[122, 190, 0], [178, 190, 0], [184, 262, 0], [116, 262, 0]], colour("shade"));
    this.fill([[104, 252, 0], [196, 252, 0], [262, 300, 0], [38, 300, 0]], colour("cap"));
    this.skull(place, colour("skin"));
    const arc = (up, from, to, how, out) => Array.from({ length: 17 }, (_, index) => how(onHead(from + ((to - from) * index) / 16, up, out)));
    this.fill([...arc(-30, -62, 62, place), ...arc(-36, 62, -62, jaw, 0.98)], colour("mouth"));
    const chin = Array.from({ length: 17 }, (_, index) => {
      const turned = -66 + (132 * index) / 16;
      return jaw(onHead(turned, -34 - 50 * Math.cos((turned * Math.PI) / 140), 1.1));
    });
    this.fill([...arc(-36, -62, 62, jaw, 1.0), ...chin.reverse()], colour("beard"));
    this.fill([onHead(-7, 10), onHead(7, 10), onHead(12, -14), onHead(0, -12, 1.28), onHead(-12, -14)].map(place), colour("shade"));
    [[-27, 0], [27, 1]].forEach(([across, index]) => this.eye(place, across, eyes[index], colour));
    this.cap(place, colour);
  }

  fill(points, colour) {
    const pen = this.pen;
    pen.beginPath();
    points.forEach(([x, y], index) => (index ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.closePath();
    pen.fillStyle = colour;
    pen.fill();
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
    pen.ellipse(x, y, wide + 3, tall + 3, 0, 0, 2 * Math.PI);
    pen.fillStyle = colour("cap");
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

  /* A seaman's cap: a band round the head and a soft crown. */
  cap(place, colour) {
    const ring = (up, out) => Array.from({ length: 37 }, (_, index) => place(onHead(-180 + index * 10, up, out)));
    const hull = (points) => {
      const sorted = points.map(([x, y]) => [x, y]).sort((p, q) => p[0] - q[0] || p[1] - q[1]);
      const half = (run) => run.reduce((kept, point) => {
        while (kept.length > 1) {
          const [a, b] = kept.slice(-2);
          if ((b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]) > 0) break;
          kept.pop();
        }
        return [...kept, point];
      }, []);
      return [...half(sorted).slice(0, -1), ...half(sorted.reverse()).slice(0, -1)];
    };
    this.fill(hull([...ring(44, 1.08), ...ring(62, 1.2), ...ring(80, 1.16)]), colour("cap"));
    const band = (up, out) => ring(up, out).filter((point) => point[2] > -12);
    this.fill([...band(34, 1.05), ...band(48, 1.08).reverse()], colour("band"));
  }
}

/* What a lamp of this perceived lightness (per cent) looks like: from a dead to a glowing lantern. */
function lampColour(lightness) {
  const share = Math.min(1, Math.max(0, lightness / 100));
  const mix = (dark, bright) => Math.round(dark + (bright - dark) * share);
  return `rgb(${mix(38, 255)}, ${mix(32, 214)}, ${mix(28, 120)})`;
}
