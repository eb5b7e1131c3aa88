// Keys as sound: tones for a phone held to this one, words for whoever keys. Both can be overheard.

// Rows and columns of hertz: ITU-T Q.23.
const LOW = [697, 770, 852, 941];
const HIGH = [1209, 1336, 1477, 1633];
const PAD = ["123A", "456B", "789C", "*0#D"];

const SPOKEN = { "*": "star", "#": "hash", A: "letter A", B: "letter B", C: "letter C", D: "letter D" };

let context = null;

function pair(key) {
  const row = PAD.findIndex((keys) => keys.includes(key));
  return [LOW[row], HIGH[PAD[row].indexOf(key)]];
}

/** Plays keys with tones and gaps of so many milliseconds; it ends after so many. */
export async function play(keys, toneMs, gapMs) {
  context ??= new AudioContext();
  await context.resume();
  let at = context.currentTime + 0.1;
  for (const key of keys) {
    const gain = context.createGain();
    // Off and on without a click.
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.4, at + 0.005);
    gain.gain.setValueAtTime(0.4, at + toneMs / 1000 - 0.005);
    gain.gain.linearRampToValueAtTime(0, at + toneMs / 1000);
    gain.connect(context.destination);
    for (const hz of pair(key)) {
      const tone = new OscillatorNode(context, { frequency: hz });
      tone.connect(gain);
      tone.start(at);
      tone.stop(at + toneMs / 1000);
    }
    at += (toneMs + gapMs) / 1000;
  }
  return keys.length * (toneMs + gapMs);
}

/** What is said for groups of keys: digit by digit, a pause after each group. */
export function words(groups) {
  const group = ({ text }) => [...text.replaceAll(" ", "")].map((key) => SPOKEN[key] ?? key).join(", ");
  return groups.map(group).join(". ");
}

export const canSpeak = () => "speechSynthesis" in window;

/** Reads aloud; what was being read stops. */
export function say(text) {
  speechSynthesis.cancel();
  const utterance = new SpeechSynthesisUtterance(text);
  utterance.lang = "en-GB";
  utterance.rate = 0.8;
  speechSynthesis.speak(utterance);
}
