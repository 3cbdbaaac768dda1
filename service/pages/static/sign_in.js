// A link to sign in carries its secret after the "#": put it into the form and send it.

import { forgetBench } from "./offline.js";

const form = document.querySelector("#sign-in");

// Nobody is signed in here: what was kept of the last one's bench goes, before anybody's is kept.
const forgotten = forgetBench();
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  await forgotten.catch(() => {}); // a browser that keeps nothing has nothing to forget
  form.submit();
});

const secret = decodeURIComponent(location.hash.slice(1));
if (secret.startsWith("wdl_")) {
  history.replaceState(null, "", location.pathname + location.search); // out of the history
  form.secret.value = secret;
  form.requestSubmit();
}
