/* The film of the shot inside the page, by frame: every frame with the bridge and without it. One plain script that makes
   one name, `Film`; it needs nothing. previz/deliver/shoot/pagefilm.py says how the stream is made.

   Film.open(source) -> film     source: {mp4 (base64), from, sizes, avcc (base64), codec, width, height, rate, group}
     film.want(i, {round, running, without})   frame i, counted from 0, is wanted: its group is decoded, and one beside it;
                                 round: the first frame follows the last; running: the frames after it are wanted soon,
                                 with the bridge or without
     film.has(i)                 whether both pictures of a frame are decoded
     film.ready(i, {...})        wants it; a promise that it is there, or that there is trouble
     film.draw(pen, i, without)  draws one of the wanted frame's, on a canvas of the film's size; false where it is not
                                 there yet
     film.heard(call)            has call() called when the frame wanted last has come, and when all have
     film.rested                 whether all that is wanted is there
     film.trouble                words, where this browser cannot decode the film; else ""

   Only the groups around the wanted frame are kept, so that a long film takes no more memory than a short one. Decoding
   is WebCodecs' (W3C); where a browser keeps that shut for files, a video element is sent from picture to picture. */
"use strict";

const Film = (() => {
  const bytes = (text) => (Uint8Array.fromBase64 ? Uint8Array.fromBase64(text)
    : Uint8Array.from(atob(text), (c) => c.charCodeAt(0)));

  // codes stay as they are: the pictures were made with the matrix of BT.709 from sRGB codes
  const COLOURS = { primaries: "bt709", transfer: "iec61966-2-1", matrix: "bt709", fullRange: false };

  // A decoded picture as plain codes: a third of what decoding takes, so only what is about to be shown is made so. Browsers
  // keep copies of pictures that are drawn as they are, which a long film fills the memory with.
  let scratch = null, copies = true;
  // codes that are not wanted any more, to be written over: a browser would clear them away too late
  const spare = [];
  const spared = (codes) => { if (copies && spare.length < 8) spare.push(codes); };
  async function codesOf(picture, source) {
    const { width, height } = source;
    if (copies && picture.copyTo) {
      const out = spare.pop() || new ImageData(width, height);
      try {
        await picture.copyTo(out.data, { format: "RGBA", rect: { x: 0, y: 0, width, height } });
        return out;
      } catch {
        copies = false;
      }
    }
    if (!scratch) scratch = new OffscreenCanvas(width, height).getContext("2d", { alpha: false, willReadFrequently: true });
    scratch.drawImage(picture, 0, 0, width, height, 0, 0, width, height);
    return scratch.getImageData(0, 0, width, height);
  }

  // Each gives {decode, cancel}: decode(first, end, give) decodes pictures [first, end), of which the first needs no
  // other, hands each to give(n, picture), and promises whether it was let do so to the end. A picture is a VideoFrame,
  // which who takes it has to close, or plain codes.
  async function byCodecs(source, file) {
    if (typeof VideoDecoder === "undefined") return null;
    const wanted = { codec: source.codec, description: bytes(source.avcc), codedWidth: source.width + (source.width % 2),
      codedHeight: source.height + (source.height % 2), optimizeForLatency: true, colorSpace: COLOURS };
    let config = null;
    // the processor's own memory is where the codes are wanted
    for (const hardwareAcceleration of ["prefer-software", "no-preference"]) {
      const asked = await VideoDecoder.isConfigSupported({ ...wanted, hardwareAcceleration }).catch(() => null);
      if (asked && asked.supported) { config = { ...wanted, hardwareAcceleration }; break; }
    }
    if (!config) return null;
    const places = [];
    source.sizes.reduce((at, size, n) => { places[n] = at; return at + size; }, source.from);
    let give = null, turning = [], failed = null, given = false;
    const decoder = new VideoDecoder({
      output: (frame) => {
        const to = give;
        // a decoder that is not the processor's has but a few places for its pictures
        if (config.hardwareAcceleration === "prefer-software") to(frame.timestamp, frame);
        else turning.push(codesOf(frame, source).then((codes) => to(frame.timestamp, codes)).finally(() => frame.close()));
      },
      error: (error) => { failed = error; },
    });
    decoder.configure(config);
    async function decode(first, end, to) {
      [give, turning, given] = [to, [], false];
      for (let n = first; n < end; n++) {
        decoder.decode(new EncodedVideoChunk({ type: n === first ? "key" : "delta", timestamp: n,
          data: file.subarray(places[n], places[n] + source.sizes[n]) }));
      }
      await decoder.flush().catch((error) => { if (!given) throw failed || error; });
      await Promise.all(turning);
      return !given;
    }
    function cancel() {
      given = true;
      decoder.reset();
      decoder.configure(config);
    }
    return { decode, cancel };
  }

  async function byElement(source, file) {
    const video = document.createElement("video");
    video.muted = true;
    video.playsInline = true;
    video.preload = "auto";
    const happened = (name) => new Promise((done, failed) => {
      video.addEventListener(name, done, { once: true });
      video.addEventListener("error", () => failed(video.error || new Error("no film")), { once: true });
    });
    const loaded = happened("loadeddata");
    video.src = URL.createObjectURL(new Blob([file], { type: "video/mp4" }));
    await loaded;
    let given = false;
    async function decode(first, end, give) {
      given = false;
      for (let n = first; n < end && !given; n++) {
        // the middle of the time for which the picture stands
        const there = happened("seeked");
        video.currentTime = (n + 0.5) / (2 * source.rate);
        await there;
        give(n, await codesOf(video, source));
      }
      return !given;
    }
    return { decode, cancel: () => { given = true; } };
  }

  function open(source) {
    const count = source.sizes.length / 2, size = source.group, last = Math.ceil(count / size) - 1;
    // {frame, codes, turning}: as decoded, and as plain codes once they are wanted
    const pictures = new Map(), whole = new Set(), waiting = [], calls = [];
    let order = [], working = false, decoder = null, current = null, target = 0, rushed = false;
    const film = { count, group: size, trouble: "", rested: false, want, has, ready, draw, heard: (call) => calls.push(call) };
    const file = bytes(source.mp4);
    source.mp4 = "";

    const groupOf = (i) => Math.floor(i / size);
    function has(i) { return pictures.has(2 * i) && pictures.has(2 * i + 1); }
    const next = () => order.find((g) => !whole.has(g));

    // the group of the frame and a neighbour; others are let go
    function want(i, { round = false, running = false, without = false } = {}) {
      const g = groupOf(i), after = g === last && round ? 0 : g + 1;
      target = i;
      rushed = running;
      film.rested = false;
      // at rest both of the frame, for a flip; of a running film those that come next
      if (running) for (const k of [i, i + 1, i + 2]) turn(placeOf(k === count && round ? 0 : k, without));
      else for (const n of [2 * i, 2 * i + 1]) turn(n);
      // A running film is past the frame before its group is there: the next one can still be in time. At rest it is the
      // nearer of both neighbours.
      const late = i % size >= size / 2;
      order = running ? (late ? [after, g] : [g, after]) : [g, late ? after : g - 1];
      order = order.filter((k) => k >= 0 && k <= last);
      if (current != null && !order.includes(current)) decoder.cancel();
      work();
    }

    function take(n, picture) {
      const i = n >> 1, frame = picture.close ? picture : null;
      const one = { frame, codes: frame ? null : picture, turning: false };
      if (!order.includes(groupOf(i))) { drop(one); return; }
      if (pictures.has(n)) drop(pictures.get(n));
      pictures.set(n, one);
      if (i === target) {
        turn(n);
        if (has(i)) for (const call of calls) call();
      }
      told();
    }

    function drop(one) {
      if (one.frame && !one.turning) one.frame.close();
      if (one.codes) spared(one.codes);
      one.frame = one.codes = null;
    }

    function turn(n) {
      const one = pictures.get(n);
      if (!one || one.codes || one.turning) return;
      one.turning = true;
      const { frame } = one;
      codesOf(frame, source).then((codes) => {
        one.turning = false;
        frame.close();
        // let go meanwhile
        if (!one.frame) { spared(codes); return; }
        one.codes = codes;
        one.frame = null;
        if (n >> 1 === target) for (const call of calls) call();
      }, failed);
    }

    function failed() {
      film.trouble = "This browser cannot decode the film of the shot (H.264); it lies beside this page as lens.mp4, and "
        + "its frames in lens/.";
      told();
      for (const call of calls) call();
    }

    function told() {
      for (let k = waiting.length - 1; k >= 0; k--) if (film.trouble || has(waiting[k].i)) waiting.splice(k, 1)[0].done();
    }

    async function work() {
      if (working || film.trouble) return;
      working = true;
      try {
        if (!decoder) decoder = (await byCodecs(source, file)) || (await byElement(source, file));
        for (let g = next(); g != null; g = next()) {
          current = g;
          const through = await decoder.decode(2 * g * size, Math.min(2 * (g + 1) * size, 2 * count), take);
          current = null;
          if (through) whole.add(g);
          for (const [n, old] of pictures) if (!order.includes(groupOf(n >> 1))) { drop(old); pictures.delete(n); }
          for (const k of whole) if (!order.includes(k)) whole.delete(k);
        }
        film.rested = true;
        for (const call of calls) call();
      } catch {
        failed();
      }
      working = false;
    }

    function ready(i, how) {
      want(i, how);
      if (has(i) || film.trouble) return Promise.resolve();
      return new Promise((done) => waiting.push({ i, done }));
    }

    // the order of a frame's two pictures changes from frame to frame
    const placeOf = (i, without) => 2 * i + (without === (i % 2 === 0) ? 1 : 0);

    function draw(pen, i, without) {
      if (!has(i)) return false;
      const one = pictures.get(placeOf(i, without)), { width, height } = source;
      if (one.codes) pen.putImageData(one.codes, 0, 0);
      // a flip of the running film: the other one is wanted at once
      else if (rushed) pen.drawImage(one.frame, 0, 0, width, height, 0, 0, width, height);
      else return false;
      return true;
    }

    return film;
  }

  return { open };
})();
