// Compares the tangents in GLB files with those of npm `mikktspace`, its sign turned as its README asks for glTF.
// Prints one JSON object a file.
const fs = require("fs");
const path = require("path");
const { generateTangents } = require(
  require.resolve("mikktspace", { paths: [path.join(process.env.TIDEMILL_OUTSIDE, "node")] }),
);

const WIDTH = { SCALAR: 1, VEC2: 2, VEC3: 3, VEC4: 4 };

for (const file of process.argv.slice(2)) {
  const data = fs.readFileSync(file);
  const jsonLength = data.readUInt32LE(12);
  const gltf = JSON.parse(data.toString("utf8", 20, 20 + jsonLength));
  const binary = data.subarray(28 + jsonLength);
  const accessor = (index) => {
    const { bufferView, byteOffset = 0, count, type, componentType } = gltf.accessors[index];
    const start = (gltf.bufferViews[bufferView].byteOffset || 0) + byteOffset;
    const read = {
      5123: (at) => binary.readUInt16LE(start + 2 * at),
      5125: (at) => binary.readUInt32LE(start + 4 * at),
      5126: (at) => binary.readFloatLE(start + 4 * at),
    }[componentType];
    return Array.from({ length: count * WIDTH[type] }, (_, at) => read(at));
  };
  // All faces at once: tangents are shared across materials.
  const corners = { POSITION: [], NORMAL: [], TEXCOORD_0: [], TANGENT: [] };
  for (const primitive of gltf.meshes.flatMap((mesh) => mesh.primitives)) {
    const indices = accessor(primitive.indices);
    for (const name of Object.keys(corners)) {
      const values = accessor(primitive.attributes[name]);
      const width = WIDTH[gltf.accessors[primitive.attributes[name]].type];
      for (const index of indices) corners[name].push(...values.slice(index * width, (index + 1) * width));
    }
  }
  const expected = generateTangents(
    new Float32Array(corners.POSITION),
    new Float32Array(corners.NORMAL),
    new Float32Array(corners.TEXCOORD_0),
  );
  let signs = 0;
  const turned = [];
  for (let at = 0; at < expected.length; at += 4) {
    const [x, y, z, w] = corners.TANGENT.slice(at, at + 4);
    signs += Number(w !== -expected[at + 3]);
    const cosine = x * expected[at] + y * expected[at + 1] + z * expected[at + 2];
    turned.push((Math.acos(Math.min(1, Math.max(-1, cosine))) * 180) / Math.PI);
  }
  turned.sort((a, b) => a - b);
  console.log(
    JSON.stringify({
      file,
      corners: turned.length,
      other_signs: signs,
      worst_degrees: turned[turned.length - 1],
      above_a_tenth: turned.filter((degrees) => degrees > 0.1).length,
    }),
  );
}
