// Delivery: how an entry of the outbox reaches the desk.

import { renewToken, send } from "./desk.js";

/** Send an entry; a log-in that ran out and was renewed by the same person lets it go out after all. */
export async function deliver(sessionId, person, { kind, takeId, key, body }) {
  const url = kind === "undo" ? `/api/s/${sessionId}/undo` : `/api/takes/${takeId}/verdict`;
  const answer = await send(url, { ...body, key });
  return answer.status === 403 && (await renewToken(person)) ? send(url, { ...body, key }) : answer;
}
