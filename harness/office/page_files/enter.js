// Signing in: the server answers with a cookie, or with a sentence.

const $ = id => document.getElementById(id);

$("enter").addEventListener("submit", async event => {
  event.preventDefault();
  const button = $("enter").querySelector("button");
  button.disabled = true;
  $("said").textContent = "";
  try {
    const body = JSON.stringify({ name: $("name").value.trim(), password: $("password").value });
    const reply = await fetch("enter", { method: "POST", body, headers: { "content-type": "application/json" } });
    if (reply.ok) return location.replace("/");
    $("said").textContent = (await reply.json()).sentence;
    $("password").value = "";
    $("password").focus();
  } catch {
    $("said").textContent = "No connection; try again.";
  } finally {
    button.disabled = false;
  }
});
$("name").focus();
