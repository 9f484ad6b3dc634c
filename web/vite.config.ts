import { svelte } from "@sveltejs/vite-plugin-svelte";
import { defineConfig } from "vitest/config";

export default defineConfig({
  plugins: [svelte()],
  build: { target: "es2022" },
  // For work on the page alone: `hushfield serve DIR --port 4173` beside `npm run dev`.
  server: { proxy: { "/api": { target: "http://127.0.0.1:4173", changeOrigin: true } } },
  test: {
    projects: [
      { extends: true, test: { name: "units", include: ["src/**/*.test.ts", "tests/**/*.unit.test.ts"] } },
      {
        extends: true,
        test: {
          name: "browser",
          include: ["tests/**/*.browser.test.ts"],
          testTimeout: 60000,
          hookTimeout: 60000,
          fileParallelism: false,
        },
      },
    ],
  },
});
