/* A client on libmodbus that reads the plant's map in all four ways, gives one command by its rules, and prints what it is
 * told, one line each: numbers, or what modbus_strerror says.
 *
 * Arguments: the port, the unit.
 */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { STATUS_SIZE = 120, COMMAND_RESULT = 113, COMMAND_NEXT = 115, ASK = 150, BITS = 192 };

static int told(const char *what, int got, int wanted)
{
    if (got == wanted) return 1;
    printf("%s %s\n", what, modbus_strerror(errno));
    return 0;
}

int main(int count, char **words)
{
    uint16_t status[STATUS_SIZE], command[3];
    uint8_t bits[BITS];
    uint32_t detected;
    int i, unit;
    modbus_t *server;
    if (count != 3) return 2;
    unit = atoi(words[2]);
    server = modbus_new_tcp("127.0.0.1", atoi(words[1]));
    if (server == NULL || modbus_connect(server) < 0) return 1;
    modbus_set_response_timeout(server, 5, 0);
    modbus_set_slave(server, unit);

    if (told("holding", modbus_read_registers(server, 0, STATUS_SIZE, status), STATUS_SIZE)) {
        detected = (uint32_t)status[36] << 16 | status[37];
        printf("holding %u %u %d %u\n", status[0], status[3], (int16_t)status[20], detected);
    }
    if (told("input", modbus_read_input_registers(server, 0, STATUS_SIZE, status), STATUS_SIZE))
        printf("input %u %u\n", status[0], status[3]);
    if (told("coils", modbus_read_bits(server, 0, BITS, bits), BITS)) printf("coils %u %u\n", bits[0], bits[162]);
    if (told("discrete", modbus_read_input_bits(server, 0, BITS, bits), BITS))
        printf("discrete %u %u\n", bits[0], bits[162]);

    command[0] = 3, command[1] = 0, command[2] = status[COMMAND_NEXT]; /* stop */
    if (told("command", modbus_write_registers(server, ASK, 3, command), 3)) {
        do {
            if (!told("result", modbus_read_registers(server, COMMAND_RESULT, 1, status), 1)) break;
        } while (status[0] == 1);
        printf("command %u\n", status[0]);
    }
    for (i = 0; i < 3; i++) told("again", modbus_write_register(server, ASK + i, command[i]), 1);
    told("status", modbus_write_register(server, 0, 1), 1);
    told("coil", modbus_write_bit(server, 0, 1), 1);
    told("behind", modbus_read_registers(server, STATUS_SIZE, 1, status), 1);
    modbus_set_slave(server, unit + 1);
    told("unit", modbus_read_registers(server, 0, 1, status), 1);
    modbus_close(server);
    modbus_free(server);
    return 0;
}
