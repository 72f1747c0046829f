// The mixer: a gain and a pan for each voice, the room, the loudness and a limiter.

import { getPacked } from "./api.js";

const WAVE = 1024; // samples that a meter looks at: 21 ms
const FALL_DB = 20; // how far a meter falls in a second: own choice, slow enough to follow
const FLOOR_DB = -60;

export class Mixer {
  /** A mixer `of` another one shares its room, loudness and limiter. */
  constructor(loudness, of = null) {
    this.voices = [];
    if (of) {
      this.context = of.context;
      this.mix = new GainNode(this.context);
      this.mix.connect(of.bus);
      return;
    }
    const c = this.context = new AudioContext({ latencyHint: "interactive" });
    this.master = new GainNode(c, { gain: loudness ** 2 * 2 });
    this.limit = new DynamicsCompressorNode(c, {
      threshold: -4, knee: 4, ratio: 16, attack: 0.002, release: 0.18,
    });
    this.mix = new GainNode(c);
    this.bus = new GainNode(c);
    this.mix.connect(this.bus).connect(this.master);
    this.master.connect(this.limit).connect(c.destination);
    this.loadRoom();
  }

  async loadRoom() {
    try {
      const { header, arrays } = await getPacked("api/room");
      const buffer = new AudioBuffer({
        length: arrays.l.length, numberOfChannels: 2, sampleRate: header.rate,
      });
      buffer.copyToChannel(arrays.l, 0);
      buffer.copyToChannel(arrays.r, 1);
      // the room is fed with the sum of both sides
      const room = new ConvolverNode(this.context, { disableNormalization: true, buffer });
      const sum = new GainNode(this.context, {
        gain: 2, channelCount: 1, channelCountMode: "explicit", channelInterpretation: "speakers",
      });
      this.bus.connect(sum).connect(room).connect(this.master);
    } catch { /* play without the room */ }
  }

  voice(n) {
    if (!this.voices[n]) {
      const pan = new StereoPannerNode(this.context);
      const gain = new GainNode(this.context);
      const meter = new AnalyserNode(this.context, { fftSize: WAVE });
      gain.connect(pan).connect(this.mix);
      pan.connect(meter);
      this.voices[n] = { gain, pan, meter, shown: FLOOR_DB, time: 0 };
    }
    return this.voices[n];
  }

  setVoices(voices, silent) {
    const now = this.context.currentTime;
    voices.forEach((v, n) => {
      const fresh = !this.voices[n];
      const { gain, pan } = this.voice(n);
      const level = silent.has(n) ? 0 : (v.volume / 100) ** 2;
      if (fresh) { // its first note must not sound at another level
        gain.gain.value = level;
        pan.pan.value = v.pan;
        return;
      }
      gain.gain.setTargetAtTime(level, now, 0.008);
      pan.pan.setTargetAtTime(v.pan, now, 0.01);
    });
  }

  /** The peak of a voice, which falls slowly, from 0 at -60 dB to 1 at full scale. */
  level(n) {
    const one = this.voices[n];
    if (!one) return 0;
    this.wave ??= new Float32Array(WAVE);
    one.meter.getFloatTimeDomainData(this.wave);
    let most = 0;
    for (const x of this.wave) most = Math.max(most, Math.abs(x));
    const now = this.context.currentTime;
    const fallen = one.shown - FALL_DB * (now - one.time);
    one.shown = Math.max(FLOOR_DB, fallen, 20 * Math.log10(most + 1e-9));
    one.time = now;
    return Math.min(1, 1 - one.shown / FLOOR_DB);
  }

  /** Silence the piece, not what plays beside it. */
  hush(on) { this.mix.gain.setTargetAtTime(on ? 0 : 1, this.context.currentTime, 0.03); }

  /** Make the piece louder or softer by a number of dB, for a fair comparison. */
  trim(db) { this.bus.gain.setTargetAtTime(10 ** (db / 20), this.context.currentTime, 0.03); }

  setLoudness(x) {
    this.master.gain.setTargetAtTime(x ** 2 * 2, this.context.currentTime, 0.02);
  }
}
