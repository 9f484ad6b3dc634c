// Families of multiples are told apart by shape first, colour only helps.

export interface SpectrumFamily {
  fundamental_hz: number;
  members: { frequency_hz: number; level_db: number; multiple: number }[];
}

/** Outlines around 0, 14 across: circle, square, triangle, diamond, hexagon, flag. */
export const FAMILY_SHAPES = [
  "M0 -6 A6 6 0 1 1 -0.01 -6 Z",
  "M-5.5 -5.5 H5.5 V5.5 H-5.5 Z",
  "M0 -7 L6.5 5 H-6.5 Z",
  "M0 -7.5 L6 0 L0 7.5 L-6 0 Z",
  "M-3.5 -6 H3.5 L7 0 L3.5 6 H-3.5 L-7 0 Z",
  "M0 7 L6.5 -5 H-6.5 Z",
];

export const FAMILY_COLOURS = ["--line", "--line-4", "--line-3", "--line-2"];
