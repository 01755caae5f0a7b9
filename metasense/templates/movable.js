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
    const said = [];
    box.querySelectorAll(".strip").forEach((strip, i) => {
      let over = 0;
      strip.querySelectorAll(".dot").forEach((dot) => {
        const isOver = Number(dot.dataset.value) >= margin;
        dot.classList.toggle("over", isOver);
        over += isOver;
      });
      const below = known.below[i][at];
      const name = strip.dataset.name ? strip.dataset.name + ": " : "";
      strip.querySelector(".smaller").textContent = "● " + (100 - over) + " of 100: smaller than the margin";
      strip.querySelector(".larger").textContent = "▲ " + over + " of 100: larger than the margin";
      said.push(`${name}${verdict(below)} (smaller: ${percent(below)}, larger: ${percent(1 - below)})`);
    });
    box.querySelectorAll(".margin").forEach((line) => {
      line.hidden = false;
      line.style.left = (100 * (margin - known.guess)) / (100 - known.guess) + "%";
      line.classList.toggle("flip", margin > 70);
      line.querySelector("span").textContent = "margin " + margin;
    });
    const text = `If ${margin} of 100 correct were the margin (d-prime ${known.dPrimes[at].toFixed(2)}): ${said.join("; ")}.`;
    box.querySelector("output").textContent = text;
    control.setAttribute("aria-valuetext", `${margin} of 100 correct. ${said.join("; ")}`);
  };
  box.querySelector(".control").hidden = false;
  control.addEventListener("input", show);
  addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((fold) => (fold.open = true)));
})();
