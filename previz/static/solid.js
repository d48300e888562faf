/* The set of the report in three dimensions, turned by hand. One plain script that makes one name, `Solid`; it needs
   Three (vendor/three.min.js).

   Solid.open(canvas, source) -> set      source: what previz/command/shoot/reportpage.py says of the set
     set.moved(now)                       now: {position, forward, field} of the lens, as Draw.view takes them
     set.turn(name)                       left, right, up, down, in, out, lens, home
   Throws where the browser cannot draw in three dimensions. */
"use strict";

const Solid = (() => {
  const webp = (text) => "data:image/webp;base64," + text;
  function bytes(text) {
    return Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  }

  function open(canvas3, source) {
    const renderer = new Three.WebGLRenderer({ canvas: canvas3, antialias: true, preserveDrawingBuffer: true });
    const scene = new Three.Scene(), camera = new Three.PerspectiveCamera(35, 2, 0.01, 60);
    const controls = new Three.OrbitControls(camera, canvas3);
    controls.enableDamping = false;
    // a wheel that zooms would keep a reader from scrolling past the set
    controls.enableZoom = false;
    let through = false, now = null, waiting = 0, inView = false, stale = true;
    const meshes = [];
    for (const part of source.parts) {
      const shape = new Three.BufferGeometry();
      shape.setAttribute("position", new Three.BufferAttribute(new Float32Array(bytes(part.place)), 3));
      shape.setAttribute("uv", new Three.BufferAttribute(new Float32Array(bytes(part.uv)), 2));
      shape.setIndex(new Three.BufferAttribute(part.wide ? new Uint32Array(bytes(part.face)) : new Uint16Array(bytes(part.face)), 1));
      waiting++;
      const map = new Three.TextureLoader().load(webp(part.picture), () => { waiting--; draw(); });
      map.colorSpace = Three.SRGBColorSpace;
      map.flipY = false;
      map.generateMipmaps = true;
      map.anisotropy = renderer.capabilities.getMaxAnisotropy();
      meshes.push(new Three.Mesh(shape, new Three.MeshBasicMaterial({ map, side: Three.DoubleSide })));
      scene.add(meshes[meshes.length - 1]);
    }
    const line = (points) => {
      const shape = new Three.BufferGeometry().setFromPoints(points.map((p) => new Three.Vector3(...p)));
      const node = new Three.Line(shape, new Three.LineBasicMaterial());
      scene.add(node);
      return node;
    };
    // the bridge's own edges in chalk, since its paint is there to hide it
    const edges = new Three.LineSegments(new Three.EdgesGeometry(meshes[1].geometry, 40), new Three.LineBasicMaterial());
    scene.add(edges);
    const guides = [line(source.rail), line([[0, 0, 0], [0, 0, 1]]), edges];
    // in the colours of the page, whichever scheme it wears
    function coloured() {
      const told = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
      renderer.setClearColor(told("--sheet"));
      guides.forEach((guide, k) => guide.material.color.set(told(k ? "--chalk" : "--ink")));
    }
    coloured();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { coloured(); draw(); });
    const vector = (p) => new Three.Vector3(...p);

    // nothing is drawn while the set is scrolled out of sight: the lens view must keep the display's rate
    new IntersectionObserver((seen_) => {
      inView = seen_.some((s) => s.isIntersecting);
      if (inView && stale) draw();
    }, { rootMargin: "80px" }).observe(canvas3);

    function draw() {
      const w = canvas3.clientWidth, h = canvas3.clientHeight;
      stale = true;
      canvas3.dataset.drawn = "";
      if (!w || !h || !inView) return;
      stale = false;
      renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
      renderer.setSize(w, h, false);
      // from the lens only its frame is shown, as large as the window lets it be
      const fw = through ? Math.min(w, h * source.aspect) : w, fh = through ? fw / source.aspect : h;
      renderer.setScissorTest(false);
      renderer.clear();
      renderer.setViewport((w - fw) / 2, (h - fh) / 2, fw, fh);
      renderer.setScissor((w - fw) / 2, (h - fh) / 2, fw, fh);
      renderer.setScissorTest(true);
      camera.aspect = fw / fh;
      camera.fov = through ? source.fov_deg : 35;
      camera.updateProjectionMatrix();
      for (const guide of guides) guide.visible = !through;
      renderer.render(scene, camera);
      canvas3.dataset.drawn = waiting ? "" : "yes";
    }

    function moved(next) {
      now = next;
      // the field of view as four lines from the lens to the corners, and round
      const p = vector(next.position), reach = 0.16;
      const [l, r, t, b] = next.field.map((d) => vector(d).normalize().multiplyScalar(reach));
      const f = vector(next.forward).normalize().multiplyScalar(reach);
      const corner = (u, v) => p.clone().add(u).add(v).sub(f);
      const c = [corner(l, t), corner(r, t), corner(r, b), corner(l, b)];
      guides[1].geometry.dispose();
      guides[1].geometry = new Three.BufferGeometry().setFromPoints([p, c[0], c[1], p, c[2], c[3], p, c[3], c[0], c[1], c[2]]);
      if (through) lens();
      draw();
    }
    function lens() {
      const p = vector(now.position);
      camera.position.copy(p);
      controls.target.copy(p).add(vector(now.forward).multiplyScalar(source.reach));
      controls.update();
    }
    function home() {
      // everything that there is, and the lens, in a ball that fits the window
      const low = vector(source.rail[0]), high = low.clone();
      for (const mesh of meshes) {
        mesh.geometry.computeBoundingBox();
        low.min(mesh.geometry.boundingBox.min);
        high.max(mesh.geometry.boundingBox.max);
      }
      const half = (35 * Math.PI) / 360, ratio = Math.min(1, canvas3.clientWidth / canvas3.clientHeight || 1);
      const away = (0.32 * low.distanceTo(high)) / Math.sin(Math.atan(Math.tan(half) * ratio));
      controls.target.copy(low).add(high).multiplyScalar(0.5);
      camera.position.copy(controls.target).add(vector(source.from).normalize().multiplyScalar(away));
      controls.update();
    }
    function own(on) {
      through = on;
      document.querySelector('[data-turn="lens"]').setAttribute("aria-pressed", String(on));
    }
    function turn(name) {
      const arm = camera.position.clone().sub(controls.target), up = new Three.Vector3(0, 1, 0);
      if (name === "lens") { own(!through); if (through) lens(); else home(); draw(); return; }
      if (name === "home") { own(false); home(); draw(); return; }
      own(false);
      if (name === "left" || name === "right") arm.applyAxisAngle(up, name === "left" ? -0.2 : 0.2);
      if (name === "in" || name === "out") arm.multiplyScalar(name === "in" ? 0.8 : 1.25);
      if (name === "up" || name === "down") {
        const across = new Three.Vector3().crossVectors(up, arm).normalize();
        const next = arm.clone().applyAxisAngle(across, name === "up" ? -0.15 : 0.15);
        if (Math.abs(next.clone().normalize().y) < 0.98) arm.copy(next);
      }
      camera.position.copy(controls.target).add(arm);
      controls.update();
      draw();
    }
    // its own keys, while it has the focus
    const keys = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "in", "=": "in", "-": "out",
      Home: "home" };
    canvas3.addEventListener("keydown", (e) => {
      const name = keys[e.key];
      if (!name || e.ctrlKey || e.metaKey || e.altKey) return;
      turn(name);
      e.preventDefault();
      e.stopPropagation();
    });
    controls.addEventListener("start", () => { if (through) own(false); });
    controls.addEventListener("change", draw);
    new ResizeObserver(draw).observe(canvas3);
    home();
    return { moved, turn, draw };
  }

  return { open };
})();
