// The page of all keys: the audition page's own sheet, filled from the same table.

import { fillSheet } from "./key_panel.js";
import { learnLabels } from "./keys.js";

await learnLabels();
const box = document.getElementById("sheet-keys");
fillSheet(box, box.dataset.judges === "true", () => {});
