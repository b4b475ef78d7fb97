// The current state of the audition page: the take, its spot, the microphone it is played on, and what a verdict is on;
// nothing plays by itself before the person has begun, by a first key on this page.

export const state = { take: null, spotAt: 0, micAt: 0, scope: "take", itself: true, begun: false, judges: true, role: "" };
export const spotNow = () => state.take?.spots[state.spotAt] ?? null;
export const noteNow = () => spotNow()?.note ?? null;
export const micNow = () => (state.take ? micsOf(state.take, spotNow())[state.micAt] : undefined);

/** Return the microphones in the order to be heard: where the spot shows best first. */
export function micsOf(take, spot) {
  const first = spot?.mic || take.measured_mic;
  return [...take.mics].sort((a, b) => (b.name === first) - (a.name === first));
}
