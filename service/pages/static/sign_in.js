// A link to sign in carries its secret after the "#": put it into the form and send it.

import { forgetBench } from "./offline.js";

// Nobody is signed in here: what was kept of the last one's bench goes.
forgetBench();

const secret = decodeURIComponent(location.hash.slice(1));
if (secret.startsWith("wdl_")) {
  history.replaceState(null, "", location.pathname + location.search); // out of the history
  const form = document.querySelector("#sign-in");
  form.secret.value = secret;
  form.requestSubmit();
}
