// The camera's frame in the colour of the screen, with where the stars must go.

export class CameraView {
  constructor(canvas, words) {
    this.canvas = canvas;
    this.words = words;
    this.targets = null;
    this.image = null;
    this.head = null;
    this.shown = false;
  }

  async frame(data) {
    const bytes = new Uint8Array(data);
    const end = bytes.indexOf(10);
    const head = JSON.parse(new TextDecoder().decode(bytes.subarray(0, end)));
    const image = await createImageBitmap(new Blob([bytes.subarray(end + 1)], { type: "image/jpeg" }));
    this.image?.close();
    this.image = image;
    this.head = head;
    this.draw();
  }

  setTargets(targets) {
    this.targets = targets;
    if (this.shown) this.draw();
  }

  draw() {
    if (!this.image) return;
    const { canvas, image } = this;
    canvas.hidden = false;
    canvas.width = image.width;
    canvas.height = image.height;
    const pen = canvas.getContext("2d");
    const style = getComputedStyle(document.documentElement);
    const night = document.documentElement.classList.contains("night");
    const ink = style.getPropertyValue("--ink").trim();
    pen.drawImage(image, 0, 0);
    if (night) {
      pen.globalCompositeOperation = "multiply";
      pen.fillStyle = ink;
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.globalCompositeOperation = "source-over";
    }
    pen.strokeStyle = night ? ink : "#fff";
    const stars = this.#fits() ? this.targets.stars : [];
    const scale = canvas.width / this.head.width_px;
    pen.lineWidth = Math.max(2, canvas.width / 200);
    const size = canvas.width / 38;
    for (const star of stars) this.#star(pen, star, scale, size);
    const exposure = this.head.exposure_s ? `, ${this.head.exposure_s} s` : "";
    this.words.textContent = `${this.head.camera || "Camera"}${exposure}. ` + (stars.length
      ? `${stars.length} stars: turn the bolts until each star stands in its brackets.`
      : "No star targets: they come with an adjustment.");
  }

  #fits() {
    return this.targets && this.targets.width_px === this.head.width_px && this.targets.height_px === this.head.height_px;
  }

  #star(pen, star, scale, size) {
    const [x, y, tx, ty] = [star.x_px, star.y_px, star.to_x_px, star.to_y_px].map((v) => (v + 0.5) * scale);
    // The star itself stays visible: its mark stands below it, its place is a yoke like a bolt's.
    pen.fillStyle = pen.strokeStyle;
    pen.beginPath();
    pen.moveTo(x, y + size * 0.5); pen.lineTo(x + size * 0.45, y + size * 1.3); pen.lineTo(x - size * 0.45, y + size * 1.3); pen.closePath();
    pen.fill();
    for (const side of [-1, 1]) {
      pen.beginPath();
      pen.moveTo(tx + side * size * 0.7, ty - size); pen.lineTo(tx + side * size * 1.15, ty - size);
      pen.lineTo(tx + side * size * 1.15, ty + size); pen.lineTo(tx + side * size * 0.7, ty + size);
      pen.stroke();
    }
    const far = Math.hypot(tx - x, ty - y);
    if (far > 3 * size) {
      const [ux, uy] = [(tx - x) / far, (ty - y) / far];
      pen.beginPath();
      pen.moveTo(x + ux * 1.4 * size, y + uy * 1.4 * size); pen.lineTo(tx - ux * 1.6 * size, ty - uy * 1.6 * size);
      pen.stroke();
    }
  }
}
