// What every page of the desk shares: asking the server, and telling what it said.
const says = document.getElementById("says");

function tell(text) {
  says.textContent = text;
}

async function asked(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch (problem) {
    throw new Error(says.dataset.failed);
  }
  const text = await answer.text();
  let said;
  try {
    said = JSON.parse(text);
  } catch (problem) {
    said = { error: text };
  }
  if (!answer.ok) throw new Error(said.error || says.dataset.failed);
  return said;
}

function posted(said) {
  return {
    method: "POST", body: JSON.stringify(said), headers: { "Content-Type": "application/json" },
  };
}

function entries(form) {
  return Object.fromEntries(new FormData(form).entries());
}
