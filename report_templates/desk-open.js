// Sends the key at once; without script the button does.
"use strict";
document.forms[0].submit();
