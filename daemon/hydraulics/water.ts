/** Properties of pure water at atmospheric pressure. Temperatures in K (ITS-90), valid 273.15-313.15 K unless said. */

/** 0 degrees Celsius, in K. */
const iceOffset_K = 273.15;

/**
 * Density in kg/m3: M. Tanaka et al., Metrologia 38 (2001) 301 (the CIPM recommendation; coefficients from memory).
 * 0-40 degrees Celsius.
 */
export function waterDensity_kgpm3(temperature_K: number): number {
  const t = temperature_K - iceOffset_K;
  const shape = ((t - 3.983035) ** 2 * (t + 301.797)) / (522528.9 * (t + 69.34881));
  return 999.97495 * (1 - shape);
}

/**
 * Speed of sound in m/s: W. Marczak, J. Acoust. Soc. Am. 102(5) (1997) 2776, 0-95 degrees Celsius.
 * Up to 25 bar the pressure adds less than 4 m/s, which is left out.
 */
export function waterSoundSpeed_mps(temperature_K: number): number {
  const t = temperature_K - iceOffset_K;
  return (
    1402.385 + t * (5.038813 + t * (-5.799136e-2 + t * (3.287156e-4 + t * (-1.398845e-6 + t * 2.78786e-9))))
  );
}

/** Isentropic bulk modulus, density * sound speed^2, in Pa: water hammer is too fast to exchange heat. */
export function waterBulkModulus_Pa(temperature_K: number): number {
  return waterDensity_kgpm3(temperature_K) * waterSoundSpeed_mps(temperature_K) ** 2;
}

/**
 * Saturation pressure, absolute, in Pa: W. Wagner and A. Pruss, J. Phys. Chem. Ref. Data 31 (2002) 387, eq. 2.5.
 * 273.16-647.096 K.
 */
export function waterVapourPressure_PaAbs(temperature_K: number): number {
  const critical_K = 647.096;
  const theta = 1 - temperature_K / critical_K;
  const sum =
    -7.85951783 * theta +
    1.84408259 * theta ** 1.5 -
    11.7866497 * theta ** 3 +
    22.6807411 * theta ** 3.5 -
    15.9618719 * theta ** 4 +
    1.80122502 * theta ** 7.5;
  return 22.064e6 * Math.exp((critical_K / temperature_K) * sum);
}

/**
 * Dynamic viscosity in Pa s at 0.1 MPa: M. L. Huber et al., J. Phys. Chem. Ref. Data 38 (2009) 101, simplified
 * correlation for liquid water (from memory), 253-383 K.
 */
export function waterViscosity_Pas(temperature_K: number): number {
  const reduced = temperature_K / 300;
  return (
    1e-6 *
    (280.68 * reduced ** -1.9 +
      511.45 * reduced ** -7.7 +
      61.131 * reduced ** -19.6 +
      0.45903 * reduced ** -40)
  );
}

/** Kinematic viscosity in m2/s: dynamic viscosity over density. */
export function waterKinematicViscosity_m2ps(temperature_K: number): number {
  return waterViscosity_Pas(temperature_K) / waterDensity_kgpm3(temperature_K);
}
