// A page that loads itself again says so in a cookie of some seconds: only what a person does keeps a session awake.
"use strict";
function loadAgain() {
  document.cookie = "soakledger-by-itself=1; path=/; max-age=5; samesite=strict";
  location.reload();
}
