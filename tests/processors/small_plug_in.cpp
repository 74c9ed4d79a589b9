// A small VST3 effect for the tests: a gain as its only parameter, late by LATE samples; it reports REPORTED.
// The interfaces are declared here as the binary standard lays them out, so nothing has to be installed to build it.
// Build: g++ -std=c++17 -shared -fPIC [-DLATE=100] [-DREPORTED=100] [-DCRASHES] small_plug_in.cpp -o .../Halver.so

#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <vector>

#ifndef LATE
#define LATE 100
#endif
#ifndef REPORTED
#define REPORTED LATE
#endif

using Result = int32_t;
using Id = char[16];
constexpr Result OK = 0, NO = 1, NO_INTERFACE = -1;
constexpr int AUDIO = 0, INPUT = 0;
constexpr uint64_t MONO = 1 << 19, STEREO = 3;  // speaker arrangements: the mono speaker, left and right
constexpr uint32_t GAIN = 7;                    // the parameter's number

#define ID(a, b, c, d) \
  { BYTES(a), BYTES(b), BYTES(c), BYTES(d) }
#define BYTES(n) char(n >> 24 & 255), char(n >> 16 & 255), char(n >> 8 & 255), char(n & 255)
const Id UNKNOWN_ID = ID(0x00000000u, 0x00000000u, 0xC0000000u, 0x00000046u);
const Id FACTORY_ID = ID(0x7A4D811Cu, 0x52114A1Fu, 0xAED9D2EEu, 0x0B43BF9Fu);
const Id BASE_ID = ID(0x22888DDBu, 0x156E45AEu, 0x8358B348u, 0x08190625u);
const Id COMPONENT_ID = ID(0xE831FF31u, 0xF2D54301u, 0x928EBBEEu, 0x25697802u);
const Id PROCESSOR_ID = ID(0x42043F99u, 0xB7DA453Cu, 0xA569E79Du, 0x9AAEC33Du);
const Id CONTROLLER_ID = ID(0xDCD7BBE3u, 0x7742448Du, 0xA874AACCu, 0x979C759Eu);
const Id OWN_ID = ID(0x50524D58u, 0x54455354u, 0x48414C56u, 0x45523031u);

bool same(const char* a, const char* b) { return std::memcmp(a, b, sizeof(Id)) == 0; }

struct Unknown {
  virtual Result queryInterface(const Id id, void** found) = 0;
  virtual uint32_t addRef() = 0;
  virtual uint32_t release() = 0;
};

struct Stream : Unknown {
  virtual Result read(void* to, int32_t count, int32_t* done) = 0;
  virtual Result write(void* from, int32_t count, int32_t* done) = 0;
};

struct Points : Unknown {
  virtual uint32_t parameter() = 0;
  virtual int32_t count() = 0;
  virtual Result point(int32_t index, int32_t& offset, double& value) = 0;
};

struct Changes : Unknown {
  virtual int32_t count() = 0;
  virtual Points* points(int32_t index) = 0;
};

struct BusInfo { int32_t media, direction, channels; char16_t name[128]; int32_t type; uint32_t flags; };
struct ParameterInfo {
  uint32_t id; char16_t title[128], short_title[128], units[128];
  int32_t steps; double standard; int32_t unit, flags;
};
struct Setup { int32_t mode, sample_size, most; double rate; };
struct Buffers { int32_t channels; uint64_t silent; float** samples; };
struct Data {
  int32_t mode, sample_size, frames, inputs, outputs;
  Buffers *in, *out; Changes *changes_in, *changes_out; void *events_in, *events_out, *context;
};
struct FactoryInfo { char vendor[64], url[256], mail[128]; int32_t flags; };
struct ClassInfo { Id id; int32_t many; char category[32], name[64]; };

struct Base : Unknown {
  virtual Result initialize(Unknown* host) = 0;
  virtual Result terminate() = 0;
};

struct Component : Base {
  virtual Result getControllerClassId(Id id) = 0;
  virtual Result setIoMode(int32_t mode) = 0;
  virtual int32_t getBusCount(int32_t media, int32_t direction) = 0;
  virtual Result getBusInfo(int32_t media, int32_t direction, int32_t index, BusInfo& info) = 0;
  virtual Result getRoutingInfo(void* in, void* out) = 0;
  virtual Result activateBus(int32_t media, int32_t direction, int32_t index, uint8_t on) = 0;
  virtual Result setActive(uint8_t on) = 0;
  virtual Result setState(Stream* state) = 0;
  virtual Result getState(Stream* state) = 0;
};

struct Processor : Unknown {
  virtual Result setBusArrangements(uint64_t* in, int32_t ins, uint64_t* out, int32_t outs) = 0;
  virtual Result getBusArrangement(int32_t direction, int32_t index, uint64_t& arrangement) = 0;
  virtual Result canProcessSampleSize(int32_t size) = 0;
  virtual uint32_t getLatencySamples() = 0;
  virtual Result setupProcessing(Setup& setup) = 0;
  virtual Result setProcessing(uint8_t on) = 0;
  virtual Result process(Data& data) = 0;
  virtual uint32_t getTailSamples() = 0;
};

struct Controller : Base {
  virtual Result setComponentState(Stream* state) = 0;
  virtual Result setState(Stream* state) = 0;
  virtual Result getState(Stream* state) = 0;
  virtual int32_t getParameterCount() = 0;
  virtual Result getParameterInfo(int32_t index, ParameterInfo& info) = 0;
  virtual Result getParamStringByValue(uint32_t id, double value, char16_t* text) = 0;
  virtual Result getParamValueByString(uint32_t id, char16_t* text, double& value) = 0;
  virtual double normalizedParamToPlain(uint32_t id, double value) = 0;
  virtual double plainParamToNormalized(uint32_t id, double value) = 0;
  virtual double getParamNormalized(uint32_t id) = 0;
  virtual Result setParamNormalized(uint32_t id, double value) = 0;
  virtual Result setComponentHandler(void* handler) = 0;
  virtual void* createView(const char* name) = 0;
};

void put(char16_t* to, const char* text) {
  do *to++ = char16_t(*text); while (*text++);
}

struct Effect;

// The edit controller: a face of its own of the same object, because its setState is not the component's.
struct Face : Controller {
  Effect& effect;
  explicit Face(Effect& e) : effect(e) {}
  Result queryInterface(const Id id, void** found) override;
  uint32_t addRef() override;
  uint32_t release() override;
  Result initialize(Unknown*) override { return OK; }
  Result terminate() override { return OK; }
  Result setComponentState(Stream*) override { return OK; }
  Result setState(Stream*) override { return OK; }
  Result getState(Stream*) override { return OK; }
  int32_t getParameterCount() override { return 1; }
  Result getParameterInfo(int32_t, ParameterInfo& info) override {
    info = {};
    info.id = GAIN;
    put(info.title, "Level");
    put(info.short_title, "Level");
    info.standard = 0.5;
    info.flags = 1;  // it can be automated
    return OK;
  }
  Result getParamStringByValue(uint32_t, double value, char16_t* text) override {
    char digits[8] = {'0', '.', char('0' + int(value * 10) % 10), char('0' + int(value * 100) % 10), 0};
    put(text, value >= 1.0 ? "1.00" : digits);
    return OK;
  }
  Result getParamValueByString(uint32_t, char16_t*, double&) override { return NO; }
  double normalizedParamToPlain(uint32_t, double value) override { return value; }
  double plainParamToNormalized(uint32_t, double value) override { return value; }
  double getParamNormalized(uint32_t) override;
  Result setParamNormalized(uint32_t, double value) override;
  Result setComponentHandler(void*) override { return OK; }
  void* createView(const char*) override { return nullptr; }
};

struct Effect final : Component, Processor {
  double gain = 0.5;
  uint64_t arrangement = STEREO;
  std::vector<std::vector<float>> lines;
  Face face{*this};
  uint32_t references = 1;
  int blocks = 0;

  int32_t channels() const { return arrangement == MONO ? 1 : 2; }

  Result queryInterface(const Id id, void** found) override {
    *found = nullptr;
    if (same(id, UNKNOWN_ID) || same(id, BASE_ID) || same(id, COMPONENT_ID)) *found = static_cast<Component*>(this);
    if (same(id, PROCESSOR_ID)) *found = static_cast<Processor*>(this);
    if (same(id, CONTROLLER_ID)) *found = static_cast<Controller*>(&face);
    if (!*found) return NO_INTERFACE;
    addRef();
    return OK;
  }
  uint32_t addRef() override { return ++references; }
  uint32_t release() override {
    uint32_t left = --references;
    if (left == 0) delete this;
    return left;
  }
  Result initialize(Unknown*) override { return OK; }
  Result terminate() override { return OK; }

  Result getControllerClassId(Id) override { return NO; }  // the component is its own controller
  Result setIoMode(int32_t) override { return OK; }
  int32_t getBusCount(int32_t media, int32_t) override { return media == AUDIO ? 1 : 0; }
  Result getBusInfo(int32_t media, int32_t direction, int32_t, BusInfo& info) override {
    if (media != AUDIO) return NO;
    info = {media, direction, channels(), {}, 0, 1};  // a main bus, active by default
    put(info.name, direction == INPUT ? "In" : "Out");
    return OK;
  }
  Result getRoutingInfo(void*, void*) override { return NO; }
  Result activateBus(int32_t, int32_t, int32_t, uint8_t) override { return OK; }
  Result setActive(uint8_t) override {
    lines.assign(size_t(channels()), std::vector<float>(LATE, 0.0f));
    return OK;
  }
  Result setState(Stream* state) override { return state->read(&gain, sizeof gain, nullptr); }
  Result getState(Stream* state) override { return state->write(&gain, sizeof gain, nullptr); }

  Result setBusArrangements(uint64_t* in, int32_t ins, uint64_t* out, int32_t outs) override {
    if (ins != 1 || outs != 1 || in[0] != out[0] || (in[0] != MONO && in[0] != STEREO)) return NO;
    arrangement = in[0];
    return OK;
  }
  Result getBusArrangement(int32_t, int32_t, uint64_t& found) override { found = arrangement; return OK; }
  Result canProcessSampleSize(int32_t size) override { return size == 0 ? OK : NO; }  // 32 bits
  uint32_t getLatencySamples() override { return REPORTED; }
  Result setupProcessing(Setup&) override { return OK; }
  Result setProcessing(uint8_t) override { return OK; }
  uint32_t getTailSamples() override { return 0; }
  Result process(Data& data) override {
    for (int32_t k = 0; data.changes_in && k < data.changes_in->count(); ++k) {
      Points* points = data.changes_in->points(k);
      int32_t offset;
      if (points->parameter() == GAIN && points->count()) points->point(points->count() - 1, offset, gain);
    }
#ifdef CRASHES
    if (data.frames && ++blocks == 9) std::abort();
#endif
    for (int32_t c = 0; data.outputs && data.inputs && c < data.out[0].channels && c < data.in[0].channels; ++c) {
      std::vector<float>& line = lines[size_t(c)];
      line.insert(line.end(), data.in[0].samples[c], data.in[0].samples[c] + data.frames);
      for (int32_t n = 0; n < data.frames; ++n) data.out[0].samples[c][n] = float(gain) * line[size_t(n)];
      line.erase(line.begin(), line.begin() + data.frames);
    }
    return OK;
  }
};

Result Face::queryInterface(const Id id, void** found) { return effect.queryInterface(id, found); }
uint32_t Face::addRef() { return effect.addRef(); }
uint32_t Face::release() { return effect.release(); }
double Face::getParamNormalized(uint32_t) { return effect.gain; }
Result Face::setParamNormalized(uint32_t, double value) { effect.gain = value; return OK; }

struct Factory final : Unknown {
  Result queryInterface(const Id id, void** found) override {
    *found = same(id, UNKNOWN_ID) || same(id, FACTORY_ID) ? this : nullptr;
    return *found ? OK : NO_INTERFACE;
  }
  uint32_t addRef() override { return 1; }
  uint32_t release() override { return 1; }
  virtual Result getFactoryInfo(FactoryInfo* info) {
    *info = {};
    std::strcpy(info->vendor, "Tests");
    info->flags = 16;  // names are Unicode
    return OK;
  }
  virtual int32_t countClasses() { return 1; }
  virtual Result getClassInfo(int32_t, ClassInfo* info) {
    *info = {};
    std::memcpy(info->id, OWN_ID, sizeof(Id));
    info->many = 0x7FFFFFFF;
    std::strcpy(info->category, "Audio Module Class");
    std::strcpy(info->name, "Halver");
    return OK;
  }
  virtual Result createInstance(const char* id, const char* wanted, void** made) {
    *made = nullptr;
    if (!same(id, OWN_ID)) return NO;
    Effect* effect = new Effect;
    Result found = effect->queryInterface(wanted, made);
    effect->release();
    return found;
  }
};

extern "C" __attribute__((visibility("default"))) Unknown* GetPluginFactory() {
  static Factory factory;
  return &factory;
}
extern "C" __attribute__((visibility("default"))) bool ModuleEntry(void*) { return true; }
extern "C" __attribute__((visibility("default"))) bool ModuleExit() { return true; }
