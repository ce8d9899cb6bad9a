// Opening a photo in a pane: how large its pyramid is, and where its tiles lie.

import { api, jobPath } from "./api.js";
import { Tiles, Viewer } from "./viewer.js";

/** Open a photo of this job. */
export async function openPhoto(pane, name, options) {
  const path = jobPath("photos", name);
  const picture = await api("GET", `${path}/picture`);
  const tiles = new Tiles(picture.width, picture.height, picture.tile_px, picture.levels, (level, x, y) => `${path}/tiles/${level}/${x}/${y}`);
  return new Viewer(pane, tiles, { label: `Photo ${name}`, ...options });
}
