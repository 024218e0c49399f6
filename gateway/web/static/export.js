// The export page: its form works by itself; here is what every page has around it.

import { watch } from "./mast.js";

watch("/api/v1/stream/frame", {});
