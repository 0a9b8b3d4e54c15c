// Colours of the coverage: lamps by hue in steps of the golden angle, so that neighbours differ; daylight grey; nothing black.

export function colourOf(number, frames) {
  if (number === 0) return [0, 0, 0];
  if (number === 255) return [255, 255, 255];
  const frame = frames[number - 1];
  if (!frame || frame.role === "ambient") return [64, 64, 64];
  return fromHue((number * 137.508) % 360, number % 2 ? 0.62 : 0.78);
}

function fromHue(hue, light) {
  const a = 0.55 * Math.min(light, 1 - light);
  const part = (n) => {
    const k = (n + hue / 30) % 12;
    return Math.round(255 * (light - a * Math.max(-1, Math.min(k - 3, 9 - k, 1))));
  };
  return [part(0), part(8), part(4)];
}

export function paintCoverage(numbers, frames) {
  const out = new ImageData(numbers.width, numbers.height);
  const table = Array.from({ length: 256 }, (_, n) => colourOf(n, frames));
  for (let i = 0; i < out.data.length; i += 4) {
    const [r, g, b] = table[numbers.data[i]];
    out.data[i] = r;
    out.data[i + 1] = g;
    out.data[i + 2] = b;
    out.data[i + 3] = 255;
  }
  return out;
}

export function pixelsOf(image) {
  const canvas = new OffscreenCanvas(image.width, image.height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(image, 0, 0);
  return context.getImageData(0, 0, image.width, image.height);
}

export const share = (value) => (value == null ? "" : value > 0 && value < 0.001 ? "< 0.1 %" : `${(100 * value).toFixed(1)} %`);
