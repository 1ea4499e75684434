// Bundle the viewer into one module beside this folder, with the licence of what it holds.
// With --check nothing is written: it fails if what is there differs.
import { readFileSync, writeFileSync } from "node:fs";
import { build } from "esbuild";

const target = new URL("../", import.meta.url);
const bundled = await build({
  entryPoints: [new URL("src/main.js", import.meta.url).pathname],
  bundle: true,
  minify: true,
  format: "esm",
  target: "es2022",
  charset: "utf8",
  legalComments: "inline",
  write: false,
});
const three = readFileSync(new URL("node_modules/three/LICENSE", import.meta.url), "utf8");
const files = {
  // Inside a page no text of the script may end it.
  "viewer.js": bundled.outputFiles[0].text.replaceAll("</script", "<\\/script"),
  "viewer.LICENSES": `viewer.js holds parts of three.js (https://threejs.org):\n\n${three}`,
};
for (const [name, text] of Object.entries(files)) {
  const path = new URL(name, target);
  if (!process.argv.includes("--check")) {
    writeFileSync(path, text);
  } else if (readFileSync(path, "utf8") !== text) {
    console.error(`${name} is not what its source builds: run npm run build`);
    process.exitCode = 1;
  }
}
