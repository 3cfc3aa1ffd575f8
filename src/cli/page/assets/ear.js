"use strict";
// Hands every block of sound over as it comes, with its place, where the browser has no
// MediaStreamTrackProcessor.
registerProcessor("ear", class extends AudioWorkletProcessor {
  process(inputs) {
    if (inputs[0].length) this.port.postMessage([currentFrame, inputs[0].map(p => p.slice())]);
    return true;
  }
});
