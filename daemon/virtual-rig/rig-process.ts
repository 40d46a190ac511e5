/** Messages between the process that wants a rig (fork-rig.ts) and the one that plays it (main.ts). */

import type { RigFault, RigSpec } from './rig-spec.ts';
import type { RigPort, RigStatus } from './run-rig.ts';
import type { TripTruth } from './truth.ts';

/** What a running rig can be told; each is answered. */
export type RigCommand =
  | { readonly fault: RigFault }
  | { readonly unplug: string }
  | { readonly replug: string }
  /** Loss of drive now, as by a power cut. */
  | { readonly trip: true }
  | { readonly status: true };

/** Where ports and truths go. */
export interface RigFolders {
  /** Port names of the rig are relative to this folder; default: the working directory. */
  readonly folder?: string;
  /** Default: `truth` in `folder`. Null: truths are told but not written. */
  readonly truthFolder?: string | null;
}

/** `rig` is a number chosen by the parent; `call` pairs a command with its answer. */
export type ToRigProcess =
  | {
      readonly start: {
        readonly rig: number;
        readonly source: string | RigSpec;
        readonly folders: RigFolders;
      };
    }
  | { readonly command: { readonly rig: number; readonly call: number; readonly command: RigCommand } }
  | { readonly stop: { readonly rig: number } };

export type FromRigProcess =
  | {
      readonly started: {
        readonly rig: number;
        readonly ports: readonly RigPort[];
        readonly truthFolder: string | null;
        readonly base_s: number;
      };
    }
  | { readonly failed: { readonly rig: number; readonly name: string; readonly message: string } }
  | {
      readonly answer: {
        readonly rig: number;
        readonly call: number;
        readonly status: RigStatus | null;
        readonly error: string | null;
      };
    }
  | { readonly truth: { readonly rig: number; readonly truth: TripTruth; readonly path: string | null } }
  | { readonly ended: { readonly rig: number } }
  | { readonly warned: { readonly rig: number; readonly sentence: string } }
  | { readonly stopped: { readonly rig: number } };
