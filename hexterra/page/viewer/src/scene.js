// The board in relief: turned, zoomed, taken apart, with a state for each cell.
import {
  BufferAttribute,
  BufferGeometry,
  CanvasTexture,
  DataTexture,
  GLSL3,
  Group,
  Line,
  LineBasicMaterial,
  LinearFilter,
  LinearMipmapLinearFilter,
  Mesh,
  NearestFilter,
  PerspectiveCamera,
  Raycaster,
  RGBAFormat,
  Scene,
  ShaderMaterial,
  UnsignedByteType,
  Vector2,
  Vector3,
  WebGLRenderer,
} from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
import { redrape } from "./drape.js";
import { layers, skin } from "./solids.js";
import { HIDDEN, STATES } from "./states.js";

const WIDE = 128; // cells to a row of the texture of states

const VERTEX = `
uniform sampler2D states; uniform vec2 size; uniform vec4 looks[${STATES.length}];
in vec4 colour; in float cell;
out vec2 place; out vec4 body; out vec4 look; out float light;
void main() {
  int number = int(cell + 0.5);
  int state = int(texelFetch(states, ivec2(number % ${WIDE}, number / ${WIDE}), 0).r * 255.0 + 0.5);
  place = position.xy / size;
  body = colour;
  look = looks[state];
  vec3 up = normalize(normalMatrix * normal);
  vec3 sun = normalize((viewMatrix * vec4(-0.45, 0.5, 0.8, 0.0)).xyz);
  light = colour.a > 0.5 ? 0.62 + 0.43 * max(dot(up, sun), 0.0) : 0.7 + 0.3 * max(dot(up, sun), 0.0);
  gl_Position = state == ${HIDDEN} ? vec4(2.0, 2.0, 2.0, 1.0)
    : projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;
const FRAGMENT = `
uniform sampler2D drape;
in vec2 place; in vec4 body; in vec4 look; in float light;
out vec4 shown;
void main() {
  vec3 base = body.a > 0.5 ? texture(drape, place).rgb : body.rgb;
  float share = body.a > 0.5 ? look.a : 0.5 * look.a; // a state is that of the top
  shown = vec4(mix(base * light, look.rgb, share), 1.0);
}`;

export class Relief {
  constructor(holder, canvasOf) {
    this.renderer = new WebGLRenderer({
      antialias: true,
      alpha: true,
      preserveDrawingBuffer: true,
    });
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.canvas = this.renderer.domElement;
    this.canvas.className = "relief";
    holder.append(this.canvas);
    this.drapeOf = canvasOf;
    this.scene = new Scene();
    this.group = new Group();
    this.scene.add(this.group);
    this.camera = new PerspectiveCamera(35, 1, 10, 100000);
    this.camera.up.set(0, 0, 1);
    this.controls = new OrbitControls(this.camera, this.canvas);
    this.controls.maxPolarAngle = 1.54;
    this.controls.enableDamping = false;
    this.controls.addEventListener("change", () => this.draw());
    this.controls.addEventListener("start", () => {
      this.moved = true; // by hand: another size of the window leaves the view alone
    });
    this.taller = 1;
    this.apart = 0;
    new ResizeObserver(() => this.fit(holder)).observe(holder);
  }

  show(board, { keepView = false } = {}) {
    this.group.traverse((object) => object.geometry?.dispose());
    this.group.clear();
    for (const texture of [this.cloth, this.states]) texture?.dispose();
    this.board = board;
    this.blocks = null;
    this.cloth = new CanvasTexture(this.drapeOf(board));
    this.cloth.minFilter = LinearMipmapLinearFilter;
    this.cloth.magFilter = LinearFilter;
    this.cloth.anisotropy = 4;
    const rows = Math.ceil(board.n / WIDE);
    this.state = new Uint8Array(4 * WIDE * rows);
    this.states = new DataTexture(this.state, WIDE, rows, RGBAFormat, UnsignedByteType);
    this.states.minFilter = this.states.magFilter = NearestFilter;
    const looks = STATES.map((state) => state.look);
    this.material = new ShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      uniforms: {
        states: { value: this.states },
        drape: { value: this.cloth },
        size: { value: new Vector2(...board.head.size_mm) },
        looks: { value: looks.flat() },
      },
    });
    this.whole = this.mesh(skin(board));
    this.group.add(this.whole);
    this.line = null;
    if (!keepView) this.home();
    this.arrange();
  }

  mesh({ places, normals, colours, cells }) {
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(places, 3));
    geometry.setAttribute("normal", new BufferAttribute(normals, 3, true));
    geometry.setAttribute("colour", new BufferAttribute(colours, 4, true));
    geometry.setAttribute("cell", new BufferAttribute(cells, 1));
    return new Mesh(geometry, this.material);
  }

  // Give each cell its state; see states.js.
  paint(states) {
    let hides = false;
    for (let cell = 0; cell < this.board.n; cell++) {
      this.state[4 * cell] = states[cell];
      hides ||= states[cell] === HIDDEN;
    }
    this.hides = hides;
    this.states.needsUpdate = true;
    this.arrange();
  }

  // Heights drawn so many times taller.
  stretch(taller) {
    this.taller = taller;
    this.arrange();
  }

  // Lift each layer off the one below; 0 is together.
  explode(share) {
    this.apart = share;
    this.arrange();
  }

  redrape(shown) {
    redrape(this.cloth.image, this.board, shown);
    this.cloth.needsUpdate = true;
    this.draw();
  }

  // Lay a line over the tops through points [x, y, height in mm]; null takes it away.
  trace(points) {
    if (this.line) {
      this.group.remove(this.line);
      this.line.geometry.dispose();
    }
    this.line = null;
    if (points) {
      const geometry = new BufferGeometry().setFromPoints(
        points.map((point) => new Vector3(...point)),
      );
      this.line = new Line(geometry, new LineBasicMaterial({ color: 0xb3261e, depthTest: false }));
      this.line.renderOrder = 2;
      this.group.add(this.line);
    }
    this.draw();
  }

  arrange() {
    const taken = this.apart > 0 || this.hides;
    if (taken && !this.blocks) {
      this.blocks = layers(this.board).map((part) => this.mesh(part));
      this.group.add(...this.blocks);
    }
    this.whole.visible = !taken;
    const [width, depth] = this.board.head.size_mm;
    const gap = (this.apart * Math.min(width, depth) * 0.12) / this.taller;
    const lifts = (this.blocks?.length ?? 1) - 1;
    this.group.position.z = (-lifts * gap * this.taller) / 2; // the middle layer stays in view
    this.blocks?.forEach((block, place) => {
      block.visible = taken;
      block.position.z = place * gap;
    });
    this.group.scale.z = this.taller;
    this.draw();
  }

  home() {
    this.look(0, 0.78);
    this.moved = false;
  }

  // Stand where the whole board fits, turned by an angle, tilted by another from straight above.
  look(turned, tilt) {
    const [width, depth] = this.board.head.size_mm;
    const summit = this.taller * this.board.millimetres(this.board.top);
    const {
      camera,
      controls: { target },
    } = this;
    const back = new Vector3(
      -Math.sin(turned) * Math.sin(tilt),
      -Math.cos(turned) * Math.sin(tilt),
      Math.cos(tilt),
    );
    const half = Math.tan((camera.fov * Math.PI) / 360);
    let far = Math.max(width, depth) / half;
    target.set(width / 2, depth / 2, summit / 2);
    for (let round = 0; round < 6; round++) {
      camera.near = far / 200;
      camera.far = far * 20;
      camera.updateProjectionMatrix();
      camera.position.copy(target).addScaledVector(back, far);
      camera.lookAt(target);
      camera.updateMatrixWorld();
      const ends = [0, 1, 2, 3, 4, 5, 6, 7].map((k) =>
        new Vector3(k & 1 ? width : 0, k & 2 ? depth : 0, k & 4 ? summit : 0).project(camera),
      );
      const [low, high] = [Math.min, Math.max].map((pick) => pick(...ends.map((end) => end.y)));
      const across = Math.max(...ends.map((end) => Math.abs(end.x)));
      const up = new Vector3(0, 1, 0).applyQuaternion(camera.quaternion);
      target.addScaledVector(up, ((low + high) / 2) * half * far);
      far *= Math.max(across, (high - low) / 2) / 0.95;
    }
    camera.position.copy(target).addScaledVector(back, far);
    this.moved = true;
    this.controls.update();
    this.draw();
  }

  // Turn by an angle and zoom by a factor from where the view is.
  nudge(turn, zoom) {
    this.moved = true;
    const away = this.camera.position.clone().sub(this.controls.target);
    away.applyAxisAngle(new Vector3(0, 0, 1), turn).multiplyScalar(1 / zoom);
    this.camera.position.copy(this.controls.target).add(away);
    this.controls.update();
    this.draw();
  }

  // The cell under a point of the window, or -1.
  pick(x, y) {
    const box = this.canvas.getBoundingClientRect();
    const at = new Vector2(
      (2 * (x - box.left)) / box.width - 1,
      1 - (2 * (y - box.top)) / box.height,
    );
    this.scene.updateMatrixWorld();
    this.camera.updateMatrixWorld();
    const ray = new Raycaster();
    ray.setFromCamera(at, this.camera);
    const seen = this.group.children.filter((object) => object.isMesh && object.visible);
    for (const hit of ray.intersectObjects(seen, false)) {
      const cell = hit.object.geometry.attributes.cell.getX(hit.face.a);
      if (this.state[4 * cell] !== HIDDEN) return cell;
    }
    return -1;
  }

  // Where the top of a cell is in the window, [x, y].
  where(cell) {
    const [x, y] = this.board.middle(cell);
    const lift = (this.blocks?.at(-1).position.z ?? 0) / 2;
    const z = (this.board.millimetres(this.board.heightAt(cell, x, y)) + lift) * this.taller;
    this.camera.updateMatrixWorld(); // it may not have been drawn yet
    const at = new Vector3(x, y, z).project(this.camera);
    const box = this.canvas.getBoundingClientRect();
    return [box.left + ((at.x + 1) / 2) * box.width, box.top + ((1 - at.y) / 2) * box.height];
  }

  fit(holder) {
    const { clientWidth: width, clientHeight: height } = holder;
    if (!width || !height) return;
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
    if (this.board && !this.moved) this.home();
    this.draw();
  }

  // Draw once before the next frame, however often it is asked for.
  draw() {
    if (this.asked || !this.board) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.scene.updateMatrixWorld();
      this.renderer.render(this.scene, this.camera);
    });
  }
}
