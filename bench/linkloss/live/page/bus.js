"use strict";
/* The connection to the bench: the newest state comes in, wishes go out. Comes back by itself. */
const bus = (() => {
  const handlers = {};
  let socket = null;
  let wait = 500;

  let timer = 0;

  const put = (message) => {
    const open = Boolean(socket) && socket.readyState === WebSocket.OPEN;
    if (open) socket.send(JSON.stringify(message));
    return open;
  };
  const send = (message) => { if (!put(message)) tell("unsent"); };
  const tell = (name, value) => { if (handlers[name]) handlers[name](value); };

  const connect = () => {
    socket = new WebSocket(new URL("bus", location.href.replace(/^http/, "ws")));
    socket.addEventListener("open", () => { wait = 500; tell("open"); });
    socket.addEventListener("message", (event) => {
      const message = JSON.parse(event.data);
      for (const name of ["plan", "said", "refused"]) if (name in message) tell(name, message[name]);
      if (!("state" in message)) return;
      // A page that nobody looks at draws nothing; it still says that it has seen.
      const drawn = () => { if (put({ do: "seen", state: message.state.at })) tell("state", message.state); };
      if (document.hidden) put({ do: "seen", state: message.state.at });
      else requestAnimationFrame(drawn);
    });
    socket.addEventListener("close", () => {
      tell("lost");
      clearTimeout(timer);
      timer = setTimeout(connect, wait);
      wait = Math.min(8000, wait * 2);
      whoIsThere();
    });
  };
  // Another bench on this port lets nobody in who knows only the old address.
  const whoIsThere = async () => {
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (answer.status === 403) tell("stranger");
    } catch { /* nobody is there */ }
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden || !socket || socket.readyState !== WebSocket.CLOSED) return;
    clearTimeout(timer);
    connect();
  });
  return { send, connect, on: (name, handler) => { handlers[name] = handler; } };
})();
