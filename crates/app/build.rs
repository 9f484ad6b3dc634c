//! Builds the program anew when the page that it carries was built anew. The page itself is never built from here: that
//! needs Node.js, which a plain `cargo build` must not.

fn main() {
    // The page's first file names all others by their content, so it changes whenever any of them does.
    println!("cargo::rerun-if-changed=../../web/dist/index.html");
}
