// the parts of three.js that the page uses
export {
  BufferAttribute, BufferGeometry, DoubleSide, EdgesGeometry, Line, LineBasicMaterial, LineSegments, Mesh,
  MeshBasicMaterial, PerspectiveCamera, Scene, SRGBColorSpace, TextureLoader, Vector3, WebGLRenderer,
} from "three";
export { OrbitControls } from "three/addons/controls/OrbitControls.js";
