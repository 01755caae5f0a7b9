(() => {
  const box = document.querySelector(".movable");
  const known = JSON.parse(document.getElementById("movable-known").textContent);
  const control = box.querySelector("input");
  const percent = (p) => (p > 0.995 ? "more than 99 %" : p < 0.005 ? "less than 1 %" : Math.round(100 * p) + " %");
  const verdict = (below) =>
    below > known.settled ? "within this margin" : 1 - below > known.settled ? "beyond this margin" : "not settled";
  const show = () => {
    const margin = Number(control.value);
    const at = margin - known.lowest;
    const lines = known.against.length ? [known.against[at], margin] : [margin];
    const said = [];
    box.querySelectorAll(".strip").forEach((strip, i) => {
      let larger = 0;
      const heights = {};
      const top = strip.querySelector("svg").viewBox.baseVal.height;
      strip.querySelectorAll(".mark").forEach((mark) => {
        const value = Number(mark.dataset.value);
        const column = Math.floor(value);
        heights[column] = (heights[column] || 0) + 1;
        const across = column + 0.5 - known.low;
        mark.setAttribute("transform", `translate(${across} ${top - heights[column]})`);
        const isLarger = value >= margin || (lines.length > 1 && value <= lines[0]);
        mark.classList.toggle("larger", isLarger);
        larger += isLarger;
      });
      strip.querySelectorAll(".margin").forEach((line, k) => {
        const place = lines[Math.min(k, lines.length - 1)];
        line.hidden = false;
        line.style.left = (100 * (place - known.low)) / (100 - known.low) + "%";
        line.classList.toggle("flip", place > 70 || (lines.length > 1 && k === 0));
        line.querySelector("span").textContent = "margin " + Math.round(place);
      });
      const below = known.below[i][at];
      const name = strip.dataset.name ? strip.dataset.name + ": " : "";
      strip.querySelector(".sides .smaller").textContent = "● " + (100 - larger) + " of 100: smaller than the margin";
      strip.querySelector(".sides .larger").textContent = "▲ " + larger + " of 100: larger than the margin";
      said.push(`${name}${verdict(below)} (smaller: ${percent(below)}, larger: ${percent(1 - below)})`);
    });
    const dPrime = known.dPrimes[at].toFixed(2);
    box.querySelector("output").textContent =
      `If ${margin} of 100 correct were the margin (d-prime ${dPrime}): ${said.join("; ")}.`;
    control.setAttribute("aria-valuetext", `${margin} of 100 correct. ${said.join("; ")}`);
  };
  box.querySelector(".control").hidden = false;
  control.addEventListener("input", show);
  addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((fold) => (fold.open = true)));
})();
