// @ts-check
// Changes go over HTTP; a refused one comes back as a sentence.

import { viewing } from './role.js';

/** Who asks: the client name of the live connection. */
let client = '';

/** @param {string} name */
export function setClient(name) {
  client = name;
}

/** @param {string} method @param {string} path @param {object} [body] a Blob goes as it is @returns {Promise<any>} */
export async function ask(method, path, body) {
  if (viewing() && method !== 'GET') throw new Error('This page looks on: an operator’s link lets you change this.');
  /** @type {Record<string, string>} */
  const headers = { 'X-Plumbline-Client': encodeURIComponent(client) }; // headers are ASCII, names are not
  const raw = body instanceof Blob;
  if (body && !raw) headers['Content-Type'] = 'application/json';
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: raw ? body : body && JSON.stringify(body) });
  } catch {
    throw new Error('The daemon does not answer. Is it running, and is this device on its network?');
  }
  const text = await answer.text();
  let json = null;
  try {
    json = text ? JSON.parse(text) : null;
  } catch {
    // Not ours; the status says enough.
  }
  if (!answer.ok) throw Object.assign(new Error(json?.error?.text ?? `The daemon refused (${answer.status}).`), { code: json?.error?.code ?? '' });
  return json;
}

/** The stable word of a refusal; '' for any other error. @param {unknown} error @returns {string} */
export const refusal = (error) => (error instanceof Error && 'code' in error ? String(error.code) : '');

/** @param {object} patch */
export const changeSettings = (patch) => ask('PATCH', '/api/v1/settings', patch);
export const reset = () => ask('POST', '/api/v1/reset');
/** @param {object} patch */
export const changeRig = (patch) => ask('PATCH', '/api/v1/rig', patch);
