/** A file cannot be read as what it should be; the message says where, what was found and what is allowed. */
export class DataError extends Error {
  override name = 'DataError';
}
