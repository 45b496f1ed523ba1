// The link to the computer: let in by code or ticket, and again by ticket whenever it was lost.
const TICKET = "thumbline stage page ticket";
const SOONEST_MS = 250;
const LATEST_MS = 2000;

// A browser that stores nothing asks for the code anew when the page is loaded anew.
const store = {
  ticket: "",
  read() {
    try { return localStorage.getItem(TICKET) ?? store.ticket; } catch { return store.ticket; }
  },
  write(ticket) {
    store.ticket = ticket;
    try { localStorage.setItem(TICKET, ticket); } catch { /* kept in this page */ }
  },
};

class Link {
  constructor({ onIn, onView, onRefused, onNot, onEnded }) {
    Object.assign(this, { onIn, onView, onRefused, onNot, onEnded });
    this.wait = SOONEST_MS;
    this.code = "";
    this.seen = 0;
  }

  open(code = "") {
    this.code = code;
    clearTimeout(this.later);
    this.socket?.close();
    const socket = new WebSocket(`ws://${location.host}/stage`);
    this.socket = socket;
    let over = false;
    socket.onopen = () => socket.send(JSON.stringify(this.code ? { code: this.code } : { ticket: store.read() }));
    socket.onmessage = ({ data }) => {
      if (socket !== this.socket) return;
      const said = JSON.parse(data);
      if (said.view) {
        this.seen = said.n;
        socket.send(JSON.stringify({ seen: said.n }));
        this.onView(said.view);
      } else if (said.in) {
        this.wait = SOONEST_MS;
        this.code = "";
        if (said.ticket) store.write(said.ticket);
        this.onIn();
      } else if (said.ended) {
        this.onEnded();
      } else if (said.reason) {
        this.onNot(said.refused, said.reason);
      } else {
        over = true;
        this.onRefused(said.refused);
      }
    };
    socket.onclose = () => {
      if (socket !== this.socket || over) return;
      this.later = setTimeout(() => this.open(this.code), this.wait * (0.75 + 0.5 * Math.random()));
      this.wait = Math.min(1.6 * this.wait, LATEST_MS);
    };
  }

  // What is touched counts for the view that was seen; where nothing can be sent it is not kept for later.
  ask(what, to) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify({ do: what, to, seen: this.seen }));
  }
}
