// The desk: drop files, say the rules, look; what is told comes from the server as it is.
const progress = document.getElementById("progress");
const count = document.getElementById("count");
let known = JSON.parse(document.getElementById("state").textContent);

async function ask(path, options) {
  const said = await asked(path, options);
  // What this window did itself is no news to it.
  if (options && said.revision) known = said;
  return said;
}

function post(path, said) {
  return ask(path, posted(said));
}

// Files below a dropped folder keep their path: the number of a fibre may stand in it.
async function below(entry, path) {
  if (entry.isFile) {
    const file = await new Promise((done, failed) => entry.file(done, failed));
    return [[path + file.name, file]];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (!some.length) return found;
    for (const one of some) found.push(...await below(one, path + entry.name + "/"));
  }
}

// What is no shot and no archive stays where it is: photos, papers, what systems leave on a stick.
function wanted([name]) {
  const own = name.split("/").at(-1).toLowerCase();
  return !own.startsWith("._") && says.dataset.names.split(" ").some((end) => own.endsWith(end));
}

function few(names) {
  return names.slice(0, 4).join(", ") + (names.length > 4 ? ", … (" + names.length + ")" : "");
}

async function send(all) {
  const files = all.filter(wanted);
  const left = all.filter((one) => !wanted(one)).map(([name]) => name);
  const refused = [];
  let next = 0;
  progress.hidden = false;
  progress.max = files.length;
  async function some() {
    while (next < files.length) {
      const [name, file] = files[next];
      next += 1;
      progress.value = next;
      const path = "/files/" + name.split("/").map(encodeURIComponent).join("/");
      try {
        const said = await ask(path, { method: "PUT", body: file });
        count.textContent = said.files;
      } catch (problem) {
        refused.push(problem.message);
      }
    }
  }
  await Promise.all([some(), some(), some(), some()]);
  progress.hidden = true;
  tell([files.length > refused.length ? says.dataset.kept : says.dataset.none,
    ...refused.slice(0, 8), ...(left.length ? [says.dataset.left + " " + few(left)] : [])]
    .join(" · "));
}

const drop = document.getElementById("drop");
for (const name of ["dragenter", "dragover"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
}
document.addEventListener("dragleave", () => drop.classList.remove("over"));
document.addEventListener("drop", async (event) => {
  event.preventDefault();
  drop.classList.remove("over");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry());
  const found = [];
  for (const entry of entries) if (entry) found.push(...await below(entry, ""));
  send(found.length ? found : [...event.dataTransfer.files].map((file) => [file.name, file]));
});
for (const id of ["pick", "pick-folder"]) {
  document.getElementById(id).addEventListener("change", (event) => {
    send([...event.target.files].map((file) => [file.webkitRelativePath || file.name, file]));
  });
}
document.getElementById("put-aside").addEventListener("click", async () => {
  await post("/put-aside", {});
  window.location.assign("/");
});

function onSubmit(id, then) {
  const form = document.getElementById(id);
  if (!form) return;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      await post("/" + id, entries(form));
      await then();
    } catch (problem) {
      tell(problem.message);
    }
  });
}
onSubmit("settings", async () => {
  const { looked } = await ask("/state");
  if (looked) await look();
  else window.location.assign("/");
});
onSubmit("decide", look);

async function look() {
  await post("/look", {});
  progress.hidden = false;
  for (;;) {
    const state = await ask("/state");
    if (!state.looking) break;
    progress.max = Math.max(state.total, 1);
    progress.value = state.done;
    tell(says.dataset.looking + (state.stage ? ": " + state.stage + " " + state.done + " / "
      + state.total : ""));
    await new Promise((done) => setTimeout(done, 200));
  }
  window.location.assign("/");
}
document.getElementById("look").addEventListener("click", () => {
  look().catch((problem) => tell(problem.message));
});

// The folder that is followed: what stands, told anew when it changes.
const follow = document.getElementById("follow");
const live = document.getElementById("live");
if (follow) {
  follow.addEventListener("click", async () => {
    try {
      await post("/follow", { follow: follow.value });
      window.location.assign("/");
    } catch (problem) {
      tell(problem.message);
    }
  });
}
async function showLive() {
  const when = document.getElementById("live-when");
  const said = await ask("/live");
  if (said.text && live.textContent !== said.text) live.textContent = said.text;
  live.classList.toggle("calls", said.calls);
  const told = said.trouble || (said.when && when.dataset.last + " " + said.when)
    || (said.going && says.dataset.looking + ": " + said.going);
  if (told && when.textContent !== told) when.textContent = told;
}
if (live) {
  const again = () => showLive().catch((problem) => tell(problem.message));
  again();
  setInterval(again, 2000);
}

// Another window, or new files in a folder that is read: say so, and let the person choose.
setInterval(async () => {
  if (!progress.hidden) return;
  try {
    const state = await ask("/state");
    count.textContent = state.files;
    if (["revision", "looked", "folder"].some((key) => state[key] !== known[key])) {
      tell(says.dataset.changed);
    }
  } catch (problem) {
    tell(problem.message);
  }
}, 3000);
document.documentElement.classList.add("ready");
