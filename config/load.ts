/** A rig file -> the resolved, frozen configuration, or every fault in it. */
import { checkInstruments } from './check-instruments.ts';
import { checkReferences } from './check-references.ts';
import { checkRig } from './check-rig.ts';
import { chooseWord, everydayMaterials } from './everyday.ts';
import { ConfigError, type Fault, Findings } from './fault.ts';
import type { Physics } from './physics.ts';
import { lineSpecs, type PlacedChannel, placeChannels } from './resolve-lines.ts';
import { checkPublish, resolvePublish } from './resolve-publish.ts';
import type { ChannelConfig, LegConfig, LiquidConfig, RigConfig } from './rig.ts';
import { type RigText, rigSchema } from './schema.ts';
import { resolveDisk } from './schema-disk.ts';
import { resolveTank } from './schema-tank.ts';
import { type DeepPartial, type Loaded, loadYaml, parseYaml } from './yaml-load.ts';

/** Half-width of the 95 % interval of a computed wave speed: wall, modulus and restraint are never known better (judgement). */
const computedWaveSpeed_ratio = 0.04;
/** The same for a measured wave speed given without a tolerance, and for a length (judgement). */
const givenWaveSpeed_ratio = 0.02;
const givenLength_ratio = 0.01;
/** A bore measured with callipers; one from a table of pipes is worse: the wall alone may be 12.5 % off (EN 10216-1, from memory). */
const givenBore_ratio = 0.005;
/** Dissolved salts of tap and river water, in kg/m3 (from memory). */
const salts_kgpm3 = 0.5;
/** End correction of a flanged open pipe over its radius: Rayleigh, The Theory of Sound, vol. 2 (from memory). */
const endCorrection_ratio = 0.82;
const standardAtmosphere_PaAbs = 101_325;

export interface CheckedRig {
  /** Null when there is any fault. */
  readonly config: RigConfig | null;
  /** Faults and warnings in the order of the file. */
  readonly findings: readonly Fault[];
}

/** Reads and checks a rig file; never throws for what a person wrote. `now_ms` decides which due dates have passed. */
export function readRig(file: string, physics: Physics, now_ms: number = Date.now()): CheckedRig {
  return check(loadYaml(file, rigSchema), file, physics, now_ms);
}

/** The same for text in memory; `name` is how messages call it. */
export function parseRig(
  text: string,
  name: string,
  physics: Physics,
  now_ms: number = Date.now(),
): CheckedRig {
  return check(parseYaml(text, rigSchema, name), name, physics, now_ms);
}

function check(loaded: Loaded<RigText>, file: string, physics: Physics, now_ms: number): CheckedRig {
  if (loaded.partial === null) return { config: null, findings: loaded.faults };
  const rig = loaded.partial as DeepPartial<RigText>;
  const findings = new Findings(file, loaded.at, loaded.faults);
  const channels = placeChannels(rig.lines ?? [], rig.atmosphere ?? standardAtmosphere_PaAbs, findings);
  checkReferences(rig, channels, findings);
  checkRig(rig, findings);
  checkMaterials(rig, physics, findings);
  checkLiquid(rig, findings);
  checkPublish(rig.publish, findings);
  checkCalibrations(channels, physics, now_ms, findings);
  if (loaded.value === null || findings.hasFault) return { config: null, findings: findings.list };
  const config = resolve(loaded.value, channels, physics);
  const pathOf = new Map(channels.map(({ id, path }) => [id, path]));
  checkInstruments(config, { channel: (id) => pathOf.get(id) ?? '' }, findings);
  return { config: freeze(config), findings: findings.list };
}

/** The configuration, deep-frozen; throws `ConfigError` with every fault and warning. Warnings alone do not throw. */
export function loadRig(file: string, physics: Physics): RigConfig {
  const { config, findings } = readRig(file, physics);
  if (config === null) throw new ConfigError(findings);
  return config;
}

function checkCalibrations(
  channels: readonly PlacedChannel[],
  physics: Physics,
  now_ms: number,
  findings: Findings,
): void {
  for (const { config, path } of channels) {
    if (config?.calibrations === undefined) continue;
    for (const { severity, entry, key, message } of physics.judgeCalibrations(config, now_ms)) {
      const place = `${path}.calibrations[${entry}].${key}`;
      if (severity === 'fault') findings.fault(place, message);
      else findings.warn(place, message);
    }
  }
}

function checkMaterials(rig: DeepPartial<RigText>, { pipeMaterials }: Physics, findings: Findings): void {
  const names = pipeMaterials.map(({ name }) => name);
  rig.legs?.forEach((leg, i) => {
    if (typeof leg?.material !== 'string') return;
    const chosen = chooseWord(leg.material, names, everydayMaterials);
    if ('value' in chosen) return;
    const map = chosen.why.includes('a map with') ? '' : ', or a map with name and modulus';
    findings.fault(`legs[${i}].material`, `found "${leg.material}"; ${chosen.why}${map}`);
  });
}

function checkLiquid(rig: DeepPartial<RigText>, findings: Findings): void {
  const liquid = rig.liquid;
  if (liquid?.name === undefined || liquid.name === 'water') return;
  for (const key of ['density', 'bulkModulus', 'vapourPressure'] as const) {
    if (liquid[key] === undefined)
      findings.fault(
        'liquid',
        `add \`${key}\`; only that of water is built in, not that of "${liquid.name}"`,
      );
  }
}

function resolve(rig: RigText, channels: readonly PlacedChannel[], physics: Physics): RigConfig {
  const liquid = resolveLiquid(rig.liquid, physics);
  const { contact, pressureSwitch, detected, tank } = rig.trip;
  const source = (given: typeof contact) =>
    given === undefined
      ? null
      : {
          channel: given.channel,
          runningLevel: given.runningLevel === 0 ? (0 as const) : (1 as const),
          delay_s: given.delay,
        };
  return {
    name: rig.rig.name,
    place: rig.rig.place,
    liquid,
    atmosphere_PaAbs: rig.atmosphere,
    legs: rig.legs.map((leg) => resolveLeg(leg, liquid, physics)),
    // Without a fault every channel has been resolved.
    channels: channels.flatMap(({ config }): readonly ChannelConfig[] => (config === null ? [] : [config])),
    lines: lineSpecs(rig.lines),
    trip: {
      contact: source(contact),
      pressureSwitch: source(pressureSwitch),
      detected,
      tank: resolveTank(tank),
    },
    windows: {
      before_s: rig.windows.before,
      afterSeating_s: rig.windows.afterSeating,
      withoutSeating_s: rig.windows.withoutSeating,
      history_s: rig.windows.history,
    },
    severity: { version: rig.severity.version, mild_mps: rig.severity.mild, severe_mps: rig.severity.severe },
    definitions: rig.definitions,
    dataFolder: rig.dataFolder,
    disk: resolveDisk(rig.disk),
    server: {
      host: rig.server.host,
      port: rig.server.port,
      ...(rig.server.openNetwork === undefined ? {} : { isOpenNetwork: true }),
    },
    ...(rig.publish === undefined ? {} : { publish: resolvePublish(rig.publish, rig.rig.name) }),
  };
}

function resolveLiquid(text: RigText['liquid'], physics: Physics): LiquidConfig {
  const temperature_K = text.temperature.value;
  const spread_K = text.temperature.halfWidth ?? 3;
  const density_kgpm3 = text.density?.value ?? physics.waterDensity_kgpm3(temperature_K);
  const thermal_kgpm3 =
    Math.abs(
      physics.waterDensity_kgpm3(temperature_K + spread_K) -
        physics.waterDensity_kgpm3(temperature_K - spread_K),
    ) / 2;
  return {
    name: text.name,
    temperature_K,
    density_kgpm3,
    densityHalfWidth_kgpm3: text.density?.halfWidth ?? Math.hypot(thermal_kgpm3, salts_kgpm3),
    bulkModulus_Pa: text.bulkModulus ?? physics.waterBulkModulus_Pa(temperature_K),
    vapourPressure_PaAbs: text.vapourPressure ?? physics.waterVapourPressure_PaAbs(temperature_K),
  };
}

function resolveLeg(leg: RigText['legs'][number], liquid: LiquidConfig, physics: Physics): LegConfig {
  const material = resolveMaterial(leg.material, physics);
  const wall = { bore_m: leg.bore.value, wall_m: leg.wall, restraint: leg.restraint, ...material };
  const waveSpeed_mps = leg.waveSpeed?.value ?? physics.waveSpeed_mps(wall, liquid);
  const share = leg.waveSpeed === undefined ? computedWaveSpeed_ratio : givenWaveSpeed_ratio;
  const { outlet, mid, inlet } = leg.taps;
  const tap = (given: typeof mid) =>
    given === undefined ? null : { channel: given.channel, distance_m: given.distance };
  return {
    id: leg.id,
    name: leg.name ?? leg.id,
    bore_m: leg.bore.value,
    boreHalfWidth_m: leg.bore.halfWidth ?? givenBore_ratio * leg.bore.value,
    wall_m: leg.wall,
    material,
    restraint: leg.restraint,
    length_m: leg.length.value,
    lengthHalfWidth_m: leg.length.halfWidth ?? givenLength_ratio * leg.length.value,
    inletLength_m: leg.inletLength,
    inertiaRatio:
      leg.inertiaRatio?.value ?? 1 + (endCorrection_ratio * leg.bore.value) / 2 / leg.length.value,
    // Fittings and the vessel's own inertia add a few per cent that are unknown beforehand (judgement).
    inertiaRatioHalfWidth: leg.inertiaRatio?.halfWidth ?? 0.04,
    waveSpeed_mps,
    waveSpeedHalfWidth_mps: leg.waveSpeed?.halfWidth ?? share * waveSpeed_mps,
    waveSpeedFrom: leg.waveSpeed === undefined ? 'formula' : 'given',
    rating_Pa: leg.rating ?? null,
    valve: {
      id: leg.valve.id,
      type: leg.valve.type,
      size: leg.valve.size,
      serial: leg.valve.serial,
      settings: leg.valve.settings,
      rating_Pa: leg.valve.rating ?? null,
    },
    outlet: { channel: outlet.channel, distance_m: outlet.distance },
    inlet: tap(inlet),
    mid: tap(mid),
    meter:
      leg.meter === undefined ? null : { channel: leg.meter.channel, distance_m: leg.meter.distance ?? 0 },
    position: leg.position ?? null,
  };
}

function resolveMaterial(
  text: RigText['legs'][number]['material'],
  { pipeMaterials }: Physics,
): LegConfig['material'] {
  if (typeof text !== 'string') return { name: text.name, modulus_Pa: text.modulus, poisson: text.poisson };
  // checkMaterials has refused any other name.
  const chosen = chooseWord(
    text,
    pipeMaterials.map((known) => known.name),
    everydayMaterials,
  );
  const { name, modulus_Pa, poisson } = pipeMaterials.find(
    (known) => 'value' in chosen && known.name === chosen.value,
  )!;
  return { name, modulus_Pa, poisson };
}

/** Freezes the tree in place. */
function freeze<T>(tree: T): T {
  if (typeof tree === 'object' && tree !== null && !Object.isFrozen(tree)) {
    Object.freeze(tree);
    Object.values(tree).forEach(freeze);
  }
  return tree;
}
