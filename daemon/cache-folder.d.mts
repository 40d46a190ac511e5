export function privateCacheFolder(environment: NodeJS.ProcessEnv): string | null;
export function whyUnsafe(folder: string): string | null;
