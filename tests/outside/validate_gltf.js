// Runs the Khronos glTF validator (npm `gltf-validator`) over the files named on the command line.
// Prints one JSON object a line; exits with 1 if any file has an error or a warning.
const fs = require("fs");
const path = require("path");
const validator = require(require.resolve("gltf-validator", { paths: [path.join(process.env.TIDEMILL_OUTSIDE, "node")] }));

(async () => {
  let bad = false;
  for (const file of process.argv.slice(2)) {
    const report = await validator.validateBytes(new Uint8Array(fs.readFileSync(file)));
    const { numErrors, numWarnings, numInfos, messages } = report.issues;
    bad ||= numErrors > 0 || numWarnings > 0;
    console.log(
      JSON.stringify({
        file,
        errors: numErrors,
        warnings: numWarnings,
        infos: numInfos,
        triangles: report.info && report.info.totalTriangleCount,
        messages: messages.slice(0, 5).map((m) => `${m.code} at ${m.pointer || ""}: ${m.message}`),
      }),
    );
  }
  process.exit(bad ? 1 : 0);
})().catch((error) => {
  console.error(error);
  process.exit(2);
});
