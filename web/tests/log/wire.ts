// A wire between devices and server that can be cut, and that can swallow an answer after the server acted on the request.
import { connect, createServer, type Server, type Socket } from "node:net";

export class Wire {
  #server: Server;
  #pairs = new Set<[Socket, Socket]>();
  #cut = false;
  #swallow = 0;
  /** Where the server listens now. */
  target = 0;
  swallowed = 0;

  constructor() {
    this.#server = createServer((near) => {
      if (this.#cut) {
        near.destroy();
        return;
      }
      const far = connect(this.target, "127.0.0.1");
      const pair: [Socket, Socket] = [near, far];
      this.#pairs.add(pair);
      const end = () => {
        this.#pairs.delete(pair);
        near.destroy();
        far.destroy();
      };
      near.on("data", (piece) => far.write(piece));
      far.on("data", (piece) => {
        if (this.#swallow > 0) {
          this.#swallow--;
          this.swallowed++;
          end();
        } else {
          near.write(piece);
        }
      });
      for (const s of pair) s.on("error", end).on("close", end);
    });
  }

  /** Listens; gives the port. */
  async listen(): Promise<number> {
    await new Promise<void>((done) => this.#server.listen(0, "127.0.0.1", done));
    return (this.#server.address() as { port: number }).port;
  }

  cut(): void {
    this.#cut = true;
    for (const [near, far] of this.#pairs) {
      near.destroy();
      far.destroy();
    }
  }

  mend(): void {
    this.#cut = false;
  }

  /** The next answers are lost on the way. */
  swallow(answers: number): void {
    this.#swallow = answers;
  }

  close(): void {
    this.cut();
    this.#server.close();
  }
}
