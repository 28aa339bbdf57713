// The camera's frame in the colour of the screen, with the way that each star has still to go: a
// wedge, broad behind the star, its tip where the star must come to be.  It shortens as the star
// comes home, and is gone when it is there.

// Ways are as good as parallel: a few stars show them, more would hide the picture.
const MOST_WEDGES = 7;
// The longest wedge may take this part of the picture's width; ways beyond are drawn to a scale.
const LONGEST_PART = 0.22;
const SCALES = [[1, ""], [1 / 2, "half"], [1 / 4, "a quarter of"], [1 / 10, "a tenth of"], [1 / 30, "a thirtieth of"]];

export class CameraView {
  constructor(canvas, words) {
    this.canvas = canvas;
    this.words = words;
    this.targets = null;
    this.live = false;
    this.home = false;
    this.image = null;
    this.head = null;
    this.shown = false;
  }

  async frame(data) {
    const bytes = new Uint8Array(data);
    const end = bytes.indexOf(10);
    const head = JSON.parse(new TextDecoder().decode(bytes.subarray(0, end)));
    let image;
    try {
      image = await createImageBitmap(new Blob([bytes.subarray(end + 1)], { type: "image/jpeg" }));
    } catch {
      return; // cut short: the next one comes
    }
    this.image?.close();
    this.image = image;
    this.head = head;
    this.draw();
  }

  setTargets(targets) {
    this.targets = targets;
    this.draw();
  }

  /** Ways hold as long as the correction that they came with is live; `home`: good enough. */
  judge({ live, home }) {
    if (live === this.live && home === this.home) return;
    this.live = live;
    this.home = home;
    this.draw();
  }

  draw() {
    if (!this.shown || !this.image) return;
    const { canvas, image } = this;
    canvas.hidden = false;
    canvas.width = image.width;
    canvas.height = image.height;
    const pen = canvas.getContext("2d");
    const night = document.documentElement.classList.contains("night");
    const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
    pen.drawImage(image, 0, 0);
    if (night) {
      pen.globalCompositeOperation = "multiply";
      pen.fillStyle = ink;
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.globalCompositeOperation = "source-over";
    }
    const said = this.#ways(pen, night ? ink : "#fff", canvas.width / this.head.width_px);
    const exposure = this.head.exposure_s ? `, ${this.head.exposure_s} s` : "";
    const words = `${this.head.camera || "Camera"}${exposure}. ${said}`;
    if (this.words.textContent !== words) this.words.textContent = words;
  }

  #stars() {
    const { targets, head } = this;
    const fits = targets && targets.width_px === head.width_px && targets.height_px === head.height_px;
    return fits && this.live ? targets.stars.slice(0, MOST_WEDGES) : [];
  }

  /** Draw the wedges; returns what they mean. */
  #ways(pen, ink, perPx) {
    const stars = this.#stars();
    if (!stars.length) return "No ways are drawn: they come with an adjustment.";
    if (this.home) {
      for (const star of stars) bar(pen, ink, (star.x_px + 0.5) * perPx, (star.y_px + 0.5) * perPx);
      return "Good enough: the stars are home.";
    }
    const ways = stars.map((star) => Math.hypot(star.to_x_px - star.x_px, star.to_y_px - star.y_px) * perPx);
    const longest = Math.max(...ways);
    const [scale, part] = SCALES.find(([each]) => longest * each <= LONGEST_PART * pen.canvas.width) ?? SCALES.at(-1);
    for (const star of stars) {
      const [x, y, tx, ty] = [star.x_px, star.y_px, star.to_x_px, star.to_y_px].map((v) => (v + 0.5) * perPx);
      wedge(pen, ink, x, y, x + (tx - x) * scale, y + (ty - y) * scale);
    }
    return part
      ? `The tip of each wedge shows which way its star has to go; drawn at ${part} its length.`
      : "Turn the bolts until each star is at the tip of its wedge, and the wedges are gone.";
  }
}

/** Broad behind the star, open about it, its tip at the goal. */
function wedge(pen, ink, x, y, tx, ty) {
  const far = Math.hypot(tx - x, ty - y);
  const unit = pen.canvas.width / 100;
  if (far < 0.4 * unit) { bar(pen, ink, x, y); return; }
  const [ux, uy] = [(tx - x) / far, (ty - y) / far];
  const half = Math.min(1.5 * unit, 0.35 * unit + 0.16 * far);
  const path = new Path2D();
  path.moveTo(x - uy * half, y + ux * half);
  path.lineTo(tx, ty);
  path.lineTo(x + uy * half, y - ux * half);
  pen.lineJoin = "round";
  pen.lineWidth = Math.max(6, 1.3 * unit);
  pen.strokeStyle = "#000";
  pen.stroke(path);
  pen.lineWidth = Math.max(3, unit / 2);
  pen.strokeStyle = ink;
  pen.stroke(path);
}

/** A short bar below a star that is home. */
function bar(pen, ink, x, y) {
  const unit = pen.canvas.width / 100;
  pen.fillStyle = ink;
  pen.fillRect(x - 1.4 * unit, y + 1.4 * unit, 2.8 * unit, 0.5 * unit);
}
