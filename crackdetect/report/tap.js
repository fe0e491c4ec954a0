// A tap on the picture of the crack rate plays the clip that is nearest to it in time.
"use strict";
const clips = document.querySelectorAll("audio"), words = document.getElementById("tapped");
function hear(button) {
  for (const clip of clips) clip.pause();
  for (const one of document.querySelectorAll(".at")) one.classList.toggle("on", one.dataset.clip === button.dataset.clip);
  const clip = document.getElementById(button.dataset.clip);
  clip.currentTime = 0;
  clip.play().catch(() => { words.textContent = "The clip could not be played."; });
  words.textContent = button.getAttribute("aria-label") + ".";
}
for (const lane of document.querySelectorAll(".tap")) {
  const buttons = [...lane.querySelectorAll(".at")];
  if (!buttons.length) continue;
  words.textContent = "Tap the picture to hear the nearest clip; the marks under the curve show where they are.";
  for (const button of buttons) button.hidden = false;
  lane.classList.add("live");
  lane.addEventListener("click", (event) => {
    const middle = (one) => { const box = one.getBoundingClientRect(); return box.left + box.width / 2; };
    const own = event.target.closest(".at"), off = (one) => Math.abs(middle(one) - event.clientX);
    hear(own && event.detail === 0 ? own : buttons.reduce((best, one) => (off(one) < off(best) ? one : best)));
  });
}
