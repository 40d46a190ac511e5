/*
 * The peer of the poll-rate benchmark: libmodbus-master PATH BAUD REGISTERS SECONDS reads with libmodbus as fast as the
 * silence between frames allows, slept with clock_nanosleep. Prints {"reads", "seconds", "best_Hz", "cpu_s"}; best_Hz is
 * the largest mean rate over half a second.
 */
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <time.h>

static double clock_s(clockid_t clock) {
  struct timespec t;
  clock_gettime(clock, &t);
  return t.tv_sec + t.tv_nsec * 1e-9;
}

int main(int argc, char **argv) {
  if (argc != 5) return 64;
  int baud = atoi(argv[2]), registers = atoi(argv[3]);
  double seconds = atof(argv[4]);
  double silence_s = baud > 19200 ? 1.75e-3 : 3.5 * 11 / baud;
  struct timespec silence = {0, (long)(silence_s * 1e9)};
  prctl(PR_SET_TIMERSLACK, 1);
  modbus_t *context = modbus_new_rtu(argv[1], baud, 'N', 8, 2);
  if (context == NULL || modbus_set_slave(context, 1) != 0 || modbus_connect(context) != 0) return 69;
  uint16_t values[125];
  long reads = 0, from = 0;
  double from_s = 0, best_Hz = 0;
  double start_s = clock_s(CLOCK_MONOTONIC), end_s;
  do {
    clock_nanosleep(CLOCK_MONOTONIC, 0, &silence, NULL);
    if (modbus_read_registers(context, 100, registers, values) == registers) reads++;
    end_s = clock_s(CLOCK_MONOTONIC);
    if (from_s == 0 || end_s - from_s >= 0.5) {
      double rate_Hz = (reads - from) / (end_s - from_s);
      if (from_s != 0 && rate_Hz > best_Hz) best_Hz = rate_Hz;
      from = reads;
      from_s = end_s;
    }
  } while (end_s - start_s < seconds);
  printf("{\"reads\":%ld,\"seconds\":%f,\"best_Hz\":%f,\"cpu_s\":%f}\n", reads, end_s - start_s, best_Hz,
         clock_s(CLOCK_PROCESS_CPUTIME_ID));
  modbus_close(context);
  return 0;
}
