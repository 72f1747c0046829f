// One sounding note: an audio source with its own gain.

const FADE_IN_S = 0.015; // of a note that starts in its middle
const SILENT = 1e-4; // -80 dB

/** Start a note.
 *
 * `sound` comes from `Samples`, `detune` is in semitones, `at` is the context time to start at,
 * `late` how far into the note that is, and `off` when it ends. */
export function sounded(out, sound, detune, strength, { at, late, off }) {
  const c = out.context;
  const source = new AudioBufferSourceNode(c, { buffer: sound.buffer, playbackRate: 2 ** (detune / 12) });
  if (sound.loop) {
    source.loop = true;
    source.loopEnd = sound.buffer.duration;
    source.loopStart = sound.buffer.duration / 2;
  }
  const middle = late > 0.02;
  const gain = new GainNode(c, { gain: middle ? 0 : strength });
  source.connect(gain).connect(out);
  const end = Math.max(off, at + (middle ? FADE_IN_S : 0.02));
  // not a linear ramp: if cancelled, it would jump back to its start value with a click
  if (middle) gain.gain.setTargetAtTime(strength, at, FADE_IN_S / 3);
  else gain.gain.setValueAtTime(strength, end);
  source.start(at, middle ? into(source, late * source.playbackRate.value) : 0);
  const note = { source, gain, sound, time: at, due: at - late, strength };
  release(note, end);
  return note;
}

function release(note, off) {
  note.gain.gain.setTargetAtTime(0, off, note.sound.release);
  note.off = off;
  note.over = off + note.sound.release * Math.log(1 / SILENT);
  note.source.stop(Math.min(note.over, off + 12));
}

/** Let a sounding note end at a time, whatever was scheduled for it. */
export function finish(note, off) {
  note.gain.gain.cancelScheduledValues(off);
  release(note, off);
}

/** Change how loud a sounding note is from a time on, and when it ends. */
export function resize(note, strength, time, off) {
  const { gain } = note.gain;
  gain.cancelScheduledValues(time);
  gain.setTargetAtTime(strength, time, 0.02);
  note.strength = strength;
  release(note, off);
}

/** Cancel a note that has not begun. */
export function cancel(note) {
  note.source.stop();
  note.source.disconnect();
  note.over = 0;
}

/** Fade a note out quickly. */
export function fadeOut(note, now) {
  note.gain.gain.cancelScheduledValues(now);
  note.gain.gain.setTargetAtTime(0, now, 0.03);
  note.source.stop(now + 0.25);
  note.off = now;
  note.over = now + 0.25;
}

/** The position in its buffer that a sound has reached some seconds after its beginning. */
function into({ loop, loopStart, loopEnd }, seconds) {
  if (!loop || seconds < loopEnd) return seconds;
  return loopStart + ((seconds - loopStart) % (loopEnd - loopStart));
}
