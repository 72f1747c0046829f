// The mixer: a gain and a pan for each voice, the room, the loudness and a limiter.

import { getPacked } from "./api.js";

export class Mixer {
  constructor(loudness) {
    const c = this.context = new AudioContext({ latencyHint: "interactive" });
    this.master = new GainNode(c, { gain: loudness ** 2 * 2 });
    this.limit = new DynamicsCompressorNode(c, {
      threshold: -4, knee: 4, ratio: 16, attack: 0.002, release: 0.18,
    });
    this.mix = new GainNode(c);
    this.mix.connect(this.master);
    this.master.connect(this.limit).connect(c.destination);
    this.voices = [];
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
      this.mix.connect(sum).connect(room).connect(this.master);
    } catch { /* play without the room */ }
  }

  voice(n) {
    if (!this.voices[n]) {
      const pan = new StereoPannerNode(this.context);
      const gain = new GainNode(this.context);
      gain.connect(pan).connect(this.mix);
      this.voices[n] = { gain, pan };
    }
    return this.voices[n];
  }

  setVoices(voices, silent) {
    const now = this.context.currentTime;
    voices.forEach((v, n) => {
      const { gain, pan } = this.voice(n);
      gain.gain.setTargetAtTime(silent.has(n) ? 0 : (v.volume / 100) ** 2, now, 0.008);
      pan.pan.setTargetAtTime(v.pan, now, 0.01);
    });
  }

  setLoudness(x) {
    this.master.gain.setTargetAtTime(x ** 2 * 2, this.context.currentTime, 0.02);
  }
}
