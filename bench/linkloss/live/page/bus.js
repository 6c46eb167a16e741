"use strict";
/* The connection to the bench: the newest state comes in, wishes go out. Comes back by itself. */
const bus = (() => {
  const handlers = {};
  let socket = null;
  let wait = 500;

  const send = (message) => {
    if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
  };
  const tell = (name, value) => { if (handlers[name]) handlers[name](value); };

  const connect = () => {
    socket = new WebSocket(new URL("bus", location.href.replace(/^http/, "ws")));
    socket.addEventListener("open", () => { wait = 500; tell("open"); });
    socket.addEventListener("message", (event) => {
      const message = JSON.parse(event.data);
      for (const name of ["plan", "said", "refused"]) if (name in message) tell(name, message[name]);
      if (!("state" in message)) return;
      // A page that nobody looks at draws nothing; it still says that it has seen.
      const drawn = () => { send({ do: "seen", state: message.state.at }); tell("state", message.state); };
      if (document.hidden) send({ do: "seen", state: message.state.at });
      else requestAnimationFrame(drawn);
    });
    socket.addEventListener("close", () => {
      tell("lost");
      setTimeout(connect, wait);
      wait = Math.min(8000, wait * 2);
    });
  };
  return { send, connect, on: (name, handler) => { handlers[name] = handler; } };
})();
