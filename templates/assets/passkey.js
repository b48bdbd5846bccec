// Passkeys are made and used by the browser; without it, or without this script, there are passwords.
"use strict";

(() => {
  if (!window.PublicKeyCredential || !navigator.credentials) return;
  const bytes = (s) => Uint8Array.from(atob(s.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const text = (b) => btoa(String.fromCharCode(...new Uint8Array(b))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  for (const box of document.querySelectorAll("[data-passkey]")) {
    const say = box.querySelector("[role=status]");
    const send = async (path, body) => {
      const answer = await fetch(path, {
        method: "POST", headers: {"Content-Type": "application/json", "X-CSRF": box.dataset.csrf ?? ""}, body: JSON.stringify(body),
      });
      const got = await answer.json();
      if (!answer.ok) throw {sentence: got.error};
      return got;
    };
    const make = async (options) => {
      options.user.id = bytes(options.user.id);
      for (const x of options.excludeCredentials ?? []) x.id = bytes(x.id);
      const made = await navigator.credentials.create({publicKey: options});
      return [made, {attestationObject: text(made.response.attestationObject), transports: made.response.getTransports?.() ?? []}];
    };
    const use = async (options) => {
      const used = await navigator.credentials.get({publicKey: options});
      const r = used.response;
      return [used, {authenticatorData: text(r.authenticatorData), signature: text(r.signature), userHandle: r.userHandle ? text(r.userHandle) : undefined}];
    };
    box.hidden = false;
    box.querySelector("button").addEventListener("click", async () => {
      say.textContent = "";
      try {
        const {publicKey} = await send(box.dataset.passkey + "/options", {});
        publicKey.challenge = bytes(publicKey.challenge);
        const [key, response] = await (publicKey.user ? make : use)(publicKey);
        response.clientDataJSON = text(key.response.clientDataJSON);
        const credential = {id: key.id, rawId: text(key.rawId), type: key.type, clientExtensionResults: key.getClientExtensionResults(), response};
        location.assign((await send(box.dataset.passkey, {name: box.querySelector("input")?.value, credential})).to);
      } catch (e) {
        say.textContent = e.sentence ?? box.dataset.failed;
      }
    });
  }
})();
