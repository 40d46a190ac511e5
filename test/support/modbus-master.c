/*
 * A Modbus master made of libmodbus: modbus-master PATH BAUD UNIT, or tcp:PORT in place of PATH.
 * Prints "ready", then answers each line of its input, "FUNCTION NUMBER ...", with a line: the values, "ok",
 * "exception N" or "error WORDS". Arguments in the order in which they stand in the request.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void tell(int result, int count, const uint16_t *words, const uint8_t *bits) {
  if (result == -1 && errno > MODBUS_ENOBASE && errno < EMBBADCRC) {
    printf("exception %d\n", errno - MODBUS_ENOBASE);
  } else if (result == -1) {
    printf("error %s\n", modbus_strerror(errno));
  } else if (count == 0) {
    puts("ok");
  } else {
    for (int i = 0; i < count; i++) printf(i == 0 ? "%d" : " %d", words == NULL ? bits[i] : words[i]);
    putchar('\n');
  }
  fflush(stdout);
}

int main(int argc, char **argv) {
  if (argc != 4) return 64;
  modbus_t *context = strncmp(argv[1], "tcp:", 4) == 0 ? modbus_new_tcp("127.0.0.1", atoi(argv[1] + 4))
                                                       : modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 2);
  if (context == NULL) return 70;
  modbus_set_slave(context, atoi(argv[3]));
  modbus_set_response_timeout(context, 2, 0);
  if (modbus_connect(context) == -1) return 69;
  puts("ready");
  fflush(stdout);
  char line[2000];
  while (fgets(line, sizeof line, stdin) != NULL) {
    int n[200] = {0}, count = 0;
    for (char *word = strtok(line, " \n"); word != NULL && count < 200; word = strtok(NULL, " \n"))
      n[count++] = atoi(word);
    uint16_t words[200];
    uint8_t bits[200];
    /* Values to write begin behind the address, of function 23 behind three numbers. */
    int from = n[0] == 23 ? 4 : 2;
    for (int i = from; i < count; i++) {
      words[i - from] = n[i];
      bits[i - from] = n[i] != 0;
    }
    errno = 0;
    switch (n[0]) {
      case 1: tell(modbus_read_bits(context, n[1], n[2], bits), n[2], NULL, bits); break;
      case 2: tell(modbus_read_input_bits(context, n[1], n[2], bits), n[2], NULL, bits); break;
      case 3: tell(modbus_read_registers(context, n[1], n[2], words), n[2], words, NULL); break;
      case 4: tell(modbus_read_input_registers(context, n[1], n[2], words), n[2], words, NULL); break;
      case 5: tell(modbus_write_bit(context, n[1], n[2]), 0, NULL, NULL); break;
      case 6: tell(modbus_write_register(context, n[1], n[2]), 0, NULL, NULL); break;
      case 15: tell(modbus_write_bits(context, n[1], count - 2, bits), 0, NULL, NULL); break;
      case 16: tell(modbus_write_registers(context, n[1], count - 2, words), 0, NULL, NULL); break;
      case 22: tell(modbus_mask_write_register(context, n[1], n[2], n[3]), 0, NULL, NULL); break;
      case 23: {
        uint16_t read[200];
        tell(modbus_write_and_read_registers(context, n[3], count - 4, words, n[1], n[2], read), n[2], read, NULL);
        break;
      }
      default: puts("error no such function"); fflush(stdout);
    }
  }
  return 0;
}
