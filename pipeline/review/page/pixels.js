// From 16-bit grey levels to the screen: WebGL2 where there is one, else a 2-D canvas.
//
// Film pixels count from their centres: the first one is (0, 0) and reaches from -0.5 to 0.5.
// A view is {scale, left, top}: device pixels per film pixel, and where on the canvas the film's
// upper left corner lies, in device pixels.

const LEVELS = 65536;

/** Halved copies of a film for showing it small: each pixel the mean of four. */
export function pyramid(levels, columns, rows) {
  const found = [{ data: levels, columns, rows }];
  for (let last = found[0]; Math.max(last.columns, last.rows) > 512; last = found.at(-1)) {
    const [w, n] = [Math.ceil(last.columns / 2), Math.ceil(last.rows / 2)];
    const data = new Uint16Array(w * n);
    for (let y = 0; y < n; y++) {
      const upper = 2 * y * last.columns;
      const lower = Math.min(2 * y + 1, last.rows - 1) * last.columns;
      for (let x = 0; x < w; x++) {
        const a = 2 * x;
        const b = Math.min(a + 1, last.columns - 1);
        const sum = last.data[upper + a] + last.data[upper + b] + last.data[lower + a] + last.data[lower + b];
        data[y * w + x] = (sum + 2) >> 2;
      }
    }
    found.push({ data, columns: w, rows: n });
  }
  return found;
}

/** The levels below which `share` and `1 - share` of the pixels lie. */
export function spread(levels, share = 0.005) {
  const counts = new Uint32Array(LEVELS);
  const step = Math.max(1, Math.floor(levels.length / 500000));
  let total = 0;
  for (let i = 0; i < levels.length; i += step, total++) counts[levels[i]]++;
  const end = (wanted) => {
    let sum = 0;
    for (let level = 0; level < LEVELS; level++) {
      sum += counts[level];
      if (sum > wanted) return level;
    }
    return LEVELS - 1;
  };
  const [low, high] = [end(share * total), end((1 - share) * total)];
  return high > low ? [low, high] : [0, LEVELS - 1];
}

/** Which copy to draw from, and how many of its pixels make one of the screen. */
function chosen(copies, scale) {
  let k = 0;
  while (k + 1 < copies.length && scale * 2 ** (k + 1) <= 1) k++;
  return { copy: copies[k], step: 1 / (scale * 2 ** k) };
}

/** Grey 0 to 255 of every level under a window; the same rule as in the shader. */
function table(low, high, inverted) {
  const greys = new Uint8Array(LEVELS);
  const width = Math.max(high - low, 1);
  for (let level = 0; level < LEVELS; level++) {
    let share = Math.min(Math.max((level - low) / width, 0), 1);
    if (inverted) share = 1 - share;
    greys[level] = Math.floor(share * 255 + 0.5);
  }
  return greys;
}

const GROUND = [14, 16, 17];

/** Draws with the processor. */
export class Plain {
  kind = "2-D canvas";

  /** `opaque`: false for a canvas with round corners, behind which the film must be drawn. */
  constructor(canvas, { opaque = true } = {}) {
    this.context = canvas.getContext("2d", { alpha: !opaque });
    this.canvas = canvas;
    this.key = "";
  }

  load(copies) {
    this.copies = copies;
  }

  draw(view, { low, high, inverted }) {
    const { width, height } = this.canvas;
    if (!this.copies || !width || !height) return;
    const key = `${low} ${high} ${inverted}`;
    if (key !== this.key) [this.greys, this.key] = [table(low, high, inverted), key];
    if (this.image?.width !== width || this.image?.height !== height) {
      this.image = this.context.createImageData(width, height);
      this.words = new Uint32Array(this.image.data.buffer);
    }
    const { copy, step } = chosen(this.copies, view.scale);
    const { data, columns, rows } = copy;
    const { greys, words } = this;
    const ground = 0xff000000 | (GROUND[2] << 16) | (GROUND[1] << 8) | GROUND[0];
    // Columns once, not for every row.
    const left = new Int32Array(width);
    const right = new Int32Array(width);
    const share = new Float64Array(width);
    for (let i = 0; i < width; i++) {
      const edge = (i + 0.5 - view.left) * step;
      const inside = edge >= 0 && edge < columns;
      const x = edge - 0.5;
      const whole = Math.floor(x);
      left[i] = inside ? Math.max(whole, 0) : -1;
      right[i] = Math.min(whole + 1, columns - 1);
      share[i] = x - whole;
    }
    for (let j = 0, at = 0; j < height; j++) {
      const edge = (j + 0.5 - view.top) * step;
      if (edge < 0 || edge >= rows) {
        words.fill(ground, at, at + width);
        at += width;
        continue;
      }
      const y = edge - 0.5;
      const whole = Math.floor(y);
      const [upper, lower] = [Math.max(whole, 0) * columns, Math.min(whole + 1, rows - 1) * columns];
      const down = y - whole;
      for (let i = 0; i < width; i++, at++) {
        const a = left[i];
        if (a < 0) {
          words[at] = ground;
          continue;
        }
        const b = right[i];
        const t = share[i];
        const first = data[upper + a] + t * (data[upper + b] - data[upper + a]);
        const second = data[lower + a] + t * (data[lower + b] - data[lower + a]);
        const grey = greys[(first + down * (second - first) + 0.5) | 0];
        words[at] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
      }
    }
    this.context.putImageData(this.image, 0, 0);
  }
}

const VERTEX = `#version 300 es
in vec2 corner;
void main() { gl_Position = vec4(corner, 0.0, 1.0); }`;

const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp usampler2D;
uniform usampler2D film;
uniform ivec2 size;
uniform vec2 origin;
uniform float pace;
uniform float height;
uniform vec2 limits;
uniform bool inverted;
uniform vec3 ground;
out vec4 colour;
float at(ivec2 p) { return float(texelFetch(film, clamp(p, ivec2(0), size - 1), 0).r); }
void main() {
  vec2 edge = (vec2(gl_FragCoord.x, height - gl_FragCoord.y) - origin) * pace;
  if (any(lessThan(edge, vec2(0.0))) || any(greaterThanEqual(edge, vec2(size)))) {
    colour = vec4(ground, 1.0);
    return;
  }
  vec2 p = edge - 0.5;
  vec2 whole = floor(p);
  vec2 t = p - whole;
  ivec2 q = ivec2(whole);
  float upper = mix(at(q), at(q + ivec2(1, 0)), t.x);
  float lower = mix(at(q + ivec2(0, 1)), at(q + ivec2(1, 1)), t.x);
  float share = clamp((mix(upper, lower, t.y) - limits.x) / max(limits.y - limits.x, 1.0), 0.0, 1.0);
  if (inverted) share = 1.0 - share;
  colour = vec4(vec3(floor(share * 255.0 + 0.5) / 255.0), 1.0);
}`;

/** Draws with the graphics processor. Throws where there is no WebGL2 or the film is too large. */
export class Accelerated {
  kind = "WebGL2";

  constructor(canvas) {
    const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, depth: false });
    if (!gl) throw new Error("no WebGL2");
    this.gl = gl;
    this.canvas = canvas;
    const program = gl.createProgram();
    for (const [type, text] of [
      [gl.VERTEX_SHADER, VERTEX],
      [gl.FRAGMENT_SHADER, FRAGMENT],
    ]) {
      const shader = gl.createShader(type);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
      gl.attachShader(program, shader);
    }
    gl.bindAttribLocation(program, 0, "corner");
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
    gl.useProgram(program);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([-1, -1, 3, -1, -1, 3]), gl.STATIC_DRAW);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
    gl.disable(gl.DITHER);
    this.at = Object.fromEntries(
      ["size", "origin", "pace", "height", "limits", "inverted", "ground"].map((name) => [
        name,
        gl.getUniformLocation(program, name),
      ]),
    );
    this.textures = [];
  }

  load(copies) {
    const { gl } = this;
    if (Math.max(copies[0].columns, copies[0].rows) > gl.getParameter(gl.MAX_TEXTURE_SIZE)) {
      throw new Error("the film is too large for the graphics processor");
    }
    for (const texture of this.textures) gl.deleteTexture(texture);
    this.copies = copies;
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    this.textures = copies.map(({ data, columns, rows }) => {
      const texture = gl.createTexture();
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.R16UI, columns, rows, 0, gl.RED_INTEGER, gl.UNSIGNED_SHORT, data);
      for (const side of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) {
        gl.texParameteri(gl.TEXTURE_2D, side, gl.NEAREST);
      }
      return texture;
    });
  }

  draw(view, { low, high, inverted }) {
    const { gl, at } = this;
    if (!this.copies) return;
    const { copy, step } = chosen(this.copies, view.scale);
    gl.viewport(0, 0, this.canvas.width, this.canvas.height);
    gl.bindTexture(gl.TEXTURE_2D, this.textures[this.copies.indexOf(copy)]);
    gl.uniform2i(at.size, copy.columns, copy.rows);
    gl.uniform2f(at.origin, view.left, view.top);
    gl.uniform1f(at.pace, step);
    gl.uniform1f(at.height, this.canvas.height);
    gl.uniform2f(at.limits, low, high);
    gl.uniform1i(at.inverted, inverted ? 1 : 0);
    gl.uniform3f(at.ground, ...GROUND.map((g) => g / 255));
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }
}

/** The better of the two for a film; `plain` asks for the processor. */
export function painter(canvas, copies, plain = false) {
  if (!plain) {
    try {
      const fast = new Accelerated(canvas);
      fast.load(copies);
      return { painter: fast, canvas };
    } catch {
      // A canvas that was asked for WebGL2 cannot draw otherwise: a fresh one takes its place.
      const fresh = canvas.cloneNode(false);
      canvas.replaceWith(fresh);
      canvas = fresh;
    }
  }
  const slow = new Plain(canvas);
  slow.load(copies);
  return { painter: slow, canvas };
}
