// The job and its lists: rows are added and sent as they are typed; the server reads them.
function onSubmit(form, said) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      await asked(form.dataset.to, posted(said(form)));
      window.location.reload();
    } catch (problem) {
      tell(problem.message);
      says.scrollIntoView();
    }
  });
}

const job = document.getElementById("job");
if (job) onSubmit(job, entries);

for (const form of document.querySelectorAll("form.list")) {
  const body = [...form.querySelectorAll("tbody")].at(-1);
  const empty = body.lastElementChild.cloneNode(true);
  const rows = () => [...form.querySelectorAll("tbody tr")];
  form.querySelector(".more").addEventListener("click", () => {
    const row = empty.cloneNode(true);
    const number = rows().length + 1;
    for (const input of row.querySelectorAll("input")) {
      input.setAttribute("aria-label", input.dataset.column + " " + number);
    }
    body.append(row);
    row.querySelector("input").focus();
  });
  onSubmit(form, () => ({
    stamp: form.dataset.stamp,
    rows: JSON.stringify(rows().map(
      (row) => [...row.querySelectorAll("input")].map((input) => input.value),
    )),
  }));
}
document.documentElement.classList.add("ready");
