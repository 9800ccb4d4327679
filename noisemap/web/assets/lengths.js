// Lengths and speeds as the study's units show them; everything stays metric inside.

const MILE = 1609.344;
const FOOT = 0.3048;

export function along(metres, units) {
  return units === "us" ? `mile ${(metres / MILE).toFixed(2)}` : `${Math.round(metres).toLocaleString("en")} m`;
}
export function length(metres, units) {
  if (units !== "us") return metres < 2000 ? `${Math.round(metres)} m` : `${(metres / 1000).toFixed(1)} km`;
  return metres < 400 ? `${Math.round(metres / FOOT)} ft` : `${(metres / MILE).toFixed(2)} mi`;
}
export function height(metres, units) {
  return units === "us" ? `${Math.round(metres / FOOT).toLocaleString("en")} ft` : `${Math.round(metres).toLocaleString("en")} m`;
}
export const speedUnit = (units) => (units === "us" ? "mph" : "km/h");
export const shownSpeed = (kmh, units) => Math.round(units === "us" ? (kmh * 1000) / MILE : kmh);
export const kmh = (shown, units) => (units === "us" ? (shown * MILE) / 1000 : shown);
export const bytes = (count) =>
  count < 1e6 ? `${Math.max(1, Math.round(count / 1e3))} kB` : `${(count / 1e6).toFixed(1)} MB`;
