// The tuner: one string, its note and its cents as large as there is room for.
const tuner = (seen) => {
  get("tuner").hidden = !seen;
  get("bass").hidden = Boolean(seen);
  if (!seen) return;
  say(get("tuner-note"), seen.note);
  say(get("tuner-cents"), seen.cents);
  say(get("tuner-word"), seen.string ? `string ${seen.string}: ${seen.word}` : seen.word);
  get("tuner-scale").firstElementChild.style.left = `${50 + 48 * seen.place}%`;
  for (const [id, widest] of [["tuner-note", "G#2"], ["tuner-cents", "+88.8"]]) {
    fit.set(get(id), fit.size([widest], get(id).clientWidth * 0.98, get(id).clientHeight, 1.1));
  }
};
