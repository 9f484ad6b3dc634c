import "@fontsource/libertinus-serif/latin-400.css";
import "@fontsource/libertinus-serif/latin-600.css";
import "@fontsource/dejavu-mono/latin-400.css";
import "uplot/dist/uPlot.min.css";
import "./style.css";
import { mount } from "svelte";
import App from "./App.svelte";

const target = document.getElementById("app");
if (target) mount(App, { target });
