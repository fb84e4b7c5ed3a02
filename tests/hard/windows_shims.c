/* What Debian's Wine lacks of Windows and numpy or Rust's library asks for at their start.
   Complex numbers: C11, 7.3.9. Random bytes: ProcessPrng, as bcryptprimitives.dll has it. */
#include <windows.h>

#ifdef COMPLEX
typedef struct { float real, imaginary; } float_complex;
typedef struct { double real, imaginary; } double_complex;

float crealf(float_complex z) { return z.real; }
float cimagf(float_complex z) { return z.imaginary; }
double creal(double_complex z) { return z.real; }
double cimag(double_complex z) { return z.imaginary; }
double creall(double_complex z) { return z.real; }
double cimagl(double_complex z) { return z.imaginary; }
#else
BOOLEAN NTAPI SystemFunction036(PVOID bytes, ULONG count);

BOOL ProcessPrng(PBYTE bytes, SIZE_T count) { return SystemFunction036(bytes, (ULONG)count); }
#endif
