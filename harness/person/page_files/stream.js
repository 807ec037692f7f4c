// What a server sends to a page, state after state: taken up again where the connection was cut or went silent.

const LOOK_MS = 2000;

// Render each state until there are no more (`done`); `cut` and `refused` say what is wrong with the connection.
export function listen({ silentMs, render, done, cut, refused }) {
  let source = null, heardAt = 0;

  function connect() {
    source?.close();
    heardAt = Date.now();
    source = new EventSource("events");
    source.addEventListener("state", event => {
      heard();
      render(JSON.parse(event.data));
      if (done()) source.close();
    });
    source.addEventListener("beat", heard);
    source.onerror = () => lost(source.readyState === EventSource.CLOSED ? refused : cut);
  }

  function heard() {
    heardAt = Date.now();
    warn("");
  }

  function lost(why) {
    if (!done()) warn(why);
  }

  if (location.search) history.replaceState(null, "", "/"); // the secret has been exchanged for a cookie
  setInterval(() => {
    if (done() || Date.now() - heardAt < silentMs) return;
    lost(cut);
    connect();
  }, LOOK_MS);
  addEventListener("visibilitychange", () => { if (!document.hidden && !done()) connect(); });
  connect();
}

// What stands above all else; nothing for "".
export function warn(text) {
  const place = document.getElementById("lost");
  if (text && place.textContent !== text) place.textContent = text;
  place.hidden = !text;
}
