/*
 * A Modbus RTU slave behind a pseudo-terminal that keeps the time of a real line: paced-slave BAUD [SCANS_PER_S].
 *
 * Prints the terminal's path, then answers reads of holding registers (register n holds n) as the fastest slave that
 * keeps to the standard: the reply begins one silence after the request's last bit, bytes come as the line would bring
 * them. On SIGTERM prints {"requests", "shortGaps", "shortestGap_us", "badRequests"}: a gap is short when a request
 * begins less than one silence after the last byte of the reply was handed over.
 * With SCANS_PER_S it samples by itself: registers 0 and 1 count the scans, a ring of 16384 from 100 on holds them, scan n as
 * the low 15 bits of n.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static const int bits = 11;
static const int64_t depth = 16384;
static volatile sig_atomic_t ended;

static void end(int signal) {
  (void)signal;
  ended = 1;
}

static int64_t now_ns(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static void until(int64_t instant_ns) {
  struct timespec t = {instant_ns / 1000000000LL, instant_ns % 1000000000LL};
  clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
}

static uint16_t crc16(const uint8_t *bytes, int length) {
  uint16_t crc = 0xffff;
  for (int i = 0; i < length; i++) {
    crc ^= bytes[i];
    for (int bit = 0; bit < 8; bit++) crc = crc & 1 ? crc >> 1 ^ 0xa001 : crc >> 1;
  }
  return crc;
}

/* Register of a device that has written `scans`. */
static uint16_t burst_register(int address, int64_t scans) {
  if (address < 2) return address == 0 ? scans >> 16 : scans & 0xffff;
  int64_t place = address - 100;
  int64_t newest = scans - 1 - ((scans - 1 - place) % depth + depth) % depth;
  return newest & 0x7fff;
}

int main(int argc, char **argv) {
  if (argc != 2 && argc != 3) return 64;
  double rate = argc == 3 ? atof(argv[2]) : 0;
  int baud = atoi(argv[1]);
  double character_ns = bits * 1e9 / baud;
  int64_t silence_ns = baud > 19200 ? 1750000 : (int64_t)(3.5 * character_ns);
  prctl(PR_SET_TIMERSLACK, 1);
  signal(SIGTERM, end);

  int master = open("/dev/ptmx", O_RDWR | O_NOCTTY);
  if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) return 69;
  int slave = open(ptsname(master), O_RDWR | O_NOCTTY);
  struct termios raw;
  tcgetattr(slave, &raw);
  cfmakeraw(&raw);
  tcsetattr(slave, TCSANOW, &raw);
  printf("%s\n", ptsname(master));
  fflush(stdout);

  long requests = 0, shortGaps = 0, badRequests = 0;
  int64_t shortestGap_ns = INT64_MAX, replied_ns = 0;
  uint8_t request[8], reply[256];
  int have = 0;
  int64_t began_ns = 0, opened_ns = now_ns();
  while (!ended) {
    struct pollfd waiting = {master, POLLIN, 0};
    // A request that stays incomplete is given up, as after a silence on the line.
    if (poll(&waiting, 1, have > 0 ? 5 : 100) <= 0) {
      badRequests += have > 0;
      have = 0;
      continue;
    }
    int64_t arrived_ns = now_ns();
    int got = read(master, request + have, sizeof request - have);
    if (got <= 0) continue;
    if (have == 0) began_ns = arrived_ns;
    have += got;
    if (have < 8) continue;
    have = 0;
    if (crc16(request, 8) != 0 || request[1] != 3) {
      badRequests++;
      continue;
    }
    requests++;
    if (replied_ns != 0) {
      int64_t gap_ns = began_ns - replied_ns;
      if (gap_ns < shortestGap_ns) shortestGap_ns = gap_ns;
      if (gap_ns < silence_ns) shortGaps++;
    }
    int address = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    int length = 3;
    reply[0] = request[0];
    reply[1] = 3;
    reply[2] = 2 * count;
    int64_t scans = rate > 0 ? (int64_t)((now_ns() - opened_ns) * 1e-9 * rate) + 1 : 0;
    for (int i = 0; i < count; i++) {
      uint16_t value = rate > 0 ? burst_register(address + i, scans) : address + i;
      reply[length++] = value >> 8;
      reply[length++] = value & 0xff;
    }
    uint16_t crc = crc16(reply, length);
    reply[length++] = crc & 0xff;
    reply[length++] = crc >> 8;
    int64_t start_ns = began_ns + (int64_t)(8 * character_ns) + silence_ns;
    // Eight bytes at a time, as the receive buffer of a UART hands them over; the last ones when they are complete.
    for (int sent = 0; sent < length;) {
      int to = sent + 8 < length ? sent + 8 : length;
      until(start_ns + (int64_t)(to * character_ns));
      replied_ns = now_ns();
      if (write(master, reply + sent, to - sent) != to - sent) return 70;
      sent = to;
    }
  }
  printf("{\"requests\":%ld,\"shortGaps\":%ld,\"shortestGap_us\":%.1f,\"badRequests\":%ld}\n", requests, shortGaps,
         requests > 1 ? shortestGap_ns / 1000.0 : 0, badRequests);
  return 0;
}
