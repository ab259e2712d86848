// Calls to the server: token, reviewer, trying again while it is away.

import { t } from "./language.js";

const meta = document.querySelector('meta[name="squareon-token"]');
const KEPT = "squareon token";
let token = meta?.content ?? "";

/** Takes the token from the address (#token=...) and hides it there. */
export function takeToken() {
  const found = location.hash.match(/^#token=([\w-]+)$/);
  if (found) {
    sessionStorage.setItem(KEPT, found[1]);
    history.replaceState(null, "", "#/");
  }
  if (!token) token = sessionStorage.getItem(KEPT) ?? "";
  return token !== "";
}

const ME = "squareon reviewer";
export const me = {
  name: localStorage.getItem(ME) ?? "",
  role: sessionStorage.getItem("squareon role") ?? "first",
  set(name, role) {
    this.name = name;
    this.role = role;
    localStorage.setItem(ME, name);
    sessionStorage.setItem("squareon role", role);
  },
};

/** An answer that is no success: `status`, and the server's sentence. */
export class Refused extends Error {
  constructor(status, body) {
    const told = body?.what ? `${body.source}: ${body.what}; ${body.do}.` : String(body ?? status);
    super(told);
    this.status = status;
    this.body = body;
  }
}

/** The server did not answer at all. */
export class Away extends Error {}

async function once(path, options) {
  let response;
  try {
    response = await fetch(path, {
      ...options,
      headers: {
        ...options.headers,
        "X-Squareon-Token": token,
        "X-Squareon-Reviewer": encodeURIComponent(me.name),
        "X-Squareon-Role": me.role,
      },
      credentials: "omit",
      cache: "no-store",
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Away(t("the server does not answer"));
  }
  return response;
}

/** A restarted server on loopback has a new token in its page. */
async function renew() {
  const response = await once("/", {});
  const found = (await response.text()).match(/name="squareon-token" content="([\w-]+)"/);
  if (!found || found[1] === token) return false;
  token = found[1];
  return true;
}

/** The server's answer as it comes; `Refused` where it is no success. */
export async function call(path, options = {}) {
  let response = await once(path, options);
  if (response.status === 401 && (await renew())) response = await once(path, options);
  if (!response.ok) {
    const text = await response.text();
    let body = text;
    try {
      body = JSON.parse(text);
    } catch {
      // a plain sentence
    }
    throw new Refused(response.status, body);
  }
  return response;
}

export const get = async (path) => (await call(path)).json();

export const post = async (path, body, signal) =>
  (
    await call(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal,
    })
  ).json();

/** The film of a reading: {levels: Uint16Array, rows, columns}. */
export async function film(id) {
  const response = await call(`/api/film/${id}`);
  const levels = new Uint16Array(await response.arrayBuffer());
  const rows = Number(response.headers.get("x-rows"));
  const columns = Number(response.headers.get("x-columns"));
  if (levels.length !== rows * columns) throw new Refused(500, "the film came incomplete");
  return { levels, rows, columns };
}

export const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
