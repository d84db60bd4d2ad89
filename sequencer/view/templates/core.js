"use strict";
/* The player core (WebAssembly) playing the show image: the same integers that the board puts out.
 *
 * A row is one frame; where its fields stand is told by the page's maker (`layout`), from the same
 * description that Python reads rows by.
 */

const COMMON_FRAMES = 6;
const ANY_BOARD = 255;
const BLOCK = 512;   /* frames played in one call; the core has room for 4096 rows */
const FAULTS = ["", "there is no show image", "the show image is of another version", "the show image is damaged (its check sum differs)",
  "the show image does not make sense", "the show image is for another board"];

/* Names and lengths from the image itself (FORMAT.md: header, scene records, names). */
function readImage(image) {
  const view = new DataView(image.buffer, image.byteOffset, image.byteLength);
  const counts = { tracks: 14, lamps: 15, switches: 16, inputs: 17, scenes: 18 };
  const read = { scenesAt: view.getUint32(48, true), fadeIn: [], frames: [] };
  let at = view.getUint32(56, true);
  const name = () => {
    const length = image[at], text = new TextDecoder().decode(image.subarray(at + 1, at + 1 + length));
    at += 1 + length;
    return text;
  };
  read.figure = name();
  for (const [kind, place] of Object.entries(counts)) read[kind] = Array.from({ length: image[place] }, name);
  read.scenes.forEach((_, index) => {
    read.frames.push(view.getUint32(read.scenesAt + 12 * index + 4, true));
    read.fadeIn.push(view.getUint16(read.scenesAt + 12 * index + 10, true));
  });
  return read;
}

class PlayerCore {
  /* Makes a function that gives a freshly opened player; throws in plain words when it cannot run. */
  static async starter(module, image, layout) {
    const { exports } = await WebAssembly.instantiate(module, {});
    if (exports.x_row_size() !== layout.size) throw new Error("the page and its player were built from different versions");
    if (image.length > layout.image_room) throw new Error("the show image is larger than the player takes");
    new Uint8Array(exports.memory.buffer, exports.x_image(), image.length).set(image);
    const fault = exports.x_open(image.length, ANY_BOARD);
    if (fault !== 0) throw new Error(FAULTS[fault] ?? `the player reports fault ${fault}`);
    const names = readImage(image);
    return () => {
      exports.x_open(image.length, ANY_BOARD);
      return new PlayerCore(exports, names, layout);
    };
  }

  constructor(exports, names, layout) {
    this.exports = exports;
    this.names = names;
    this.layout = layout;
  }

  cue(scene, repeats) {
    return this.exports.x_cue(1, scene, repeats);
  }

  /* Plays `frames` frames; gives one object a frame. */
  play(frames) {
    const out = [];
    while (out.length < frames) {
      const count = this.exports.x_play(Math.min(BLOCK, frames - out.length));
      const view = new DataView(this.exports.memory.buffer, this.exports.x_rows(), count * this.layout.size);
      for (let row = 0; row < count; row++) out.push(this.row(view, row * this.layout.size));
    }
    return out;
  }

  row(view, at) {
    const many = (count, from, size, read) => Array.from({ length: count }, (_, index) => read.call(view, at + from + size * index, true));
    const { tracks, lamps } = this.names, place = this.layout;
    return {
      state: view.getUint8(at + place.state),
      scene: view.getUint8(at + place.scene),
      switches: view.getUint8(at + place.switches),
      frame: view.getUint16(at + place.frame, true),
      phase: view.getUint16(at + place.phase, true),
      pulse: many(tracks.length, place.pulse, 2, view.getUint16),
      window: many(4 * tracks.length, place.window, 2, view.getInt16),
      motion: many(4 * tracks.length, place.motion, 4, view.getInt32),
      duty: many(lamps.length, place.duty, 2, view.getUint16),
      lightness: many(lamps.length, place.lightness, 2, view.getUint16),
    };
  }
}

/* One scene as the board plays it from rest: a row for each of its frames.
 *
 * A cue that waits through boot and settling is the first thing played, so nothing of the idle loop is
 * mixed in. Of a loop the first whole turn after its fade-in is shown.
 */
function playScene(core, scene) {
  const index = core.names.scenes.indexOf(scene.name);
  if (index < 0) return null;
  const frames = core.names.frames[index];
  core.cue(index, scene.loop ? 0 : 1);
  const clean = scene.loop ? core.names.fadeIn[index] + 3 * COMMON_FRAMES : 0;
  const rows = [];
  let entered = -1, begin = -1;
  for (let block = 0; begin < 0 && block < 128; block++) {
    const from = rows.length;
    rows.push(...core.play(BLOCK));
    for (let at = from; at < rows.length && begin < 0; at++) {
      if (rows[at].scene !== index || rows[at].frame !== 1 % frames) continue;
      if (entered < 0) entered = at;
      if (at - entered >= clean) begin = at;
    }
  }
  if (begin < 0) return null;
  if (rows.length < begin + frames) rows.push(...core.play(begin + frames - rows.length));
  return rows.slice(begin, begin + frames);
}

/* For the tests: "FRAMES,scene@frame,..." plays FRAMES frames from power-up with cues at those frames; columns of integers. */
function report(core, script) {
  const [frames, ...cues] = script.split(",");
  const rows = [], results = [];
  for (const cue of cues) {
    const [scene, frame] = cue.split("@").map(Number);
    rows.push(...core.play(frame - rows.length));
    results.push(core.cue(scene, 1));
  }
  rows.push(...core.play(Number(frames) - rows.length));
  const columns = { results, names: core.names };
  for (const key of Object.keys(rows[0])) columns[key] = rows.map((row) => row[key]);
  return columns;
}
