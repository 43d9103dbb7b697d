// One fibre: a row of the table shows its place in both shots; another place can be asked for.
const plot = makePlot();
const here = document.getElementById("losses-here");

function point(row) {
  const place = row ? Number(row.dataset.m) : null;
  plot.show({ ...data.row, distance_m: place });
}
here.addEventListener("click", (event) => point(event.target.closest("tr[data-m]")));
point(here.querySelector("tr[data-m]"));

const form = document.getElementById("also-at");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const says = document.getElementById("at-says");
  const answer = await fetch(form.dataset.to, {
    method: "POST", body: JSON.stringify({ at: form.elements.at.value }),
    headers: { "Content-Type": "application/json" },
  });
  const said = await answer.json();
  says.textContent = said.error || said.answer;
  if (said.table) here.innerHTML = said.table;
});
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plot.draw());
document.documentElement.classList.add("ready");
