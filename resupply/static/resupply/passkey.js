"use strict";
// Passkeys (W3C Web Authentication): asks the site what to make or answer, the browser for it, and sends the form.
const fromText = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0)).buffer;
const toText = (bytes) => btoa(String.fromCharCode(...new Uint8Array(bytes))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

function asked({ publicKey }) {
  publicKey.challenge = fromText(publicKey.challenge);
  if (publicKey.user) publicKey.user.id = fromText(publicKey.user.id);
  for (const list of ["excludeCredentials", "allowCredentials"])
    publicKey[list]?.forEach((one) => { one.id = fromText(one.id); });
  return { publicKey };
}

function plain(made) {
  const response = { clientDataJSON: toText(made.response.clientDataJSON) };
  for (const part of ["attestationObject", "authenticatorData", "signature", "userHandle"])
    if (made.response[part]) response[part] = toText(made.response[part]);
  return {
    id: made.id, rawId: toText(made.rawId), type: made.type, response,
    clientExtensionResults: made.getClientExtensionResults(),
  };
}

document.querySelectorAll("[data-passkey]").forEach((form) => {
  const said = form.querySelector("[data-passkey-said]");
  form.querySelector("[data-passkey-go]")?.addEventListener("click", async () => {
    const making = form.dataset.passkey === "create";
    if (making && !form.reportValidity()) return;
    try {
      const token = form.querySelector("[name=csrfmiddlewaretoken]").value;
      const answer = await fetch(form.dataset.begin, { method: "POST", headers: { "X-CSRFToken": token } });
      const options = asked(await answer.json());
      const made = await (making ? navigator.credentials.create(options) : navigator.credentials.get(options));
      form.querySelector("[name=credential]").value = JSON.stringify(plain(made));
      form.submit();
    } catch {
      said.textContent = "No passkey was used. Try again, or take the other way.";
    }
  });
});
