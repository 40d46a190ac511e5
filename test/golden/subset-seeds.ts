/**
 * Seeds of `truth-subset.test.ts`: drawn for it alone. When one of its tests fails and somebody looks at a seed, the set goes into
 * test/truth/looked-at.json and the subset moves on to fresh ones.
 */
export const subsetSeeds = { first: 9_000_000, count: 60 } as const;
