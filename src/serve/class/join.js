// The door: a code and a name.

const $ = (id) => document.getElementById(id);
const scanned = new URLSearchParams(location.search).get("code");
if (scanned) {
  $("code").value = scanned;
  // Nobody who looks at the phone later needs to read it there.
  history.replaceState(null, "", "/join");
}
$(scanned ? "name" : "code").focus();

$("join").addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = document.querySelector("#join button");
  button.disabled = true;
  $("say").textContent = "";
  try {
    const response = await fetch("/api/join", { method: "POST", headers: { "content-type": "application/json" },
      body: JSON.stringify({ code: $("code").value, name: $("name").value }) });
    if (response.ok) { location.replace("/"); return; }
    const why = await response.json();
    $("say").textContent = `${why.message} ${why.hint}`;
    $(response.status === 422 ? "name" : "code").select();
  } catch {
    $("say").textContent = "The class's computer doesn't answer. Are you in its Wi-Fi? Try once more.";
  }
  button.disabled = false;
});
